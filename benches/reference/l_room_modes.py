#!/usr/bin/env python3
"""Standing waves of an L-shaped floor with rigid walls, by scikit-fem and scipy, and how long they take.

pip install numpy==1.26.4 scipy==1.13.1 scikit-fem==12.0.2
Prints the frequencies (c = 343.2 m/s) on two meshes; the finer one is the reference for the test of `room::waves`.
"""
import time
import numpy as np
from scipy.sparse.linalg import eigsh
from skfem import Basis, BilinearForm, ElementTriP4, MeshTri
from skfem.models.poisson import laplace, mass

C = 343.2
UPPER_HZ = 200.0


def l_mesh(cells):
    """Three rectangles of 6.6 x 3.4 and 4.2 x 1.8 m, cut into squares of equal number along each part, then triangles."""
    x = np.unique(np.r_[np.linspace(0, 4.2, 7 * cells + 1), np.linspace(4.2, 6.6, 4 * cells + 1)])
    y = np.unique(np.r_[np.linspace(0, 3.4, 6 * cells + 1), np.linspace(3.4, 5.2, 3 * cells + 1)])
    mesh = MeshTri.init_tensor(x, y)
    middle = mesh.p[:, mesh.t].mean(axis=1)
    return mesh.remove_elements(np.nonzero((middle[0] > 4.2) & (middle[1] > 3.4))[0])


def modes(mesh, count):
    start = time.process_time()
    basis = Basis(mesh, ElementTriP4())
    stiffness, weight = laplace.assemble(basis), mass.assemble(basis)
    values = eigsh(stiffness.tocsc(), k=count, M=weight.tocsc(), sigma=-0.5, which='LM', return_eigenvectors=True)[0]
    return np.sqrt(np.sort(np.abs(values))) * C / (2 * np.pi), basis.N, time.process_time() - start


def main():
    for cells, refine in ((1, 0), (2, 0), (2, 3)):
        mesh = l_mesh(cells)
        for _ in range(refine):
            corner = np.hypot(mesh.p[0] - 4.2, mesh.p[1] - 3.4) < 1e-9
            mesh = mesh.refined(np.nonzero(corner[mesh.t].any(axis=0))[0])
        best = min((modes(mesh, 50) for _ in range(5 if refine == 0 else 2)), key=lambda run: run[2])
        found = best[0][best[0] < UPPER_HZ]
        print('%d unknowns, %.0f ms of processor time, %d waves below %g Hz' % (best[1], best[2] * 1e3, len(found), UPPER_HZ))
        print(', '.join('%.4f' % f for f in found))


if __name__ == '__main__':
    main()
