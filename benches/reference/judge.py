#!/usr/bin/env python3
"""The judge's full update in plain numpy: the same model, the same rounds of expectation propagation, dense matrices throughout.

    pip install numpy==2.4.6 scipy==1.17.1
    cargo bench --bench judge -- case > case.json
    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python3 benches/reference/judge.py case.json

Unknowns in one vector: six borders, the contour, an offset for each stay, all deviations. Five listeners are fitted one after the other, each
starting where its neighbour ended; then 512 draws of all curves give spreads, chances and regret. Printed: the best of five runs (processor
time), and for comparison with the bench the order of the spots with their spreads. Left out, as it costs next to nothing: that a spot may be unusual, and that
listeners stretch the scale.
"""
import json
import sys
import time
import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.stats import norm

BORDERS = np.array([-8.0, -4.0, -1.5, 1.5, 4.0, 8.0])
CARELESS = 0.03
# ISO 226:2023, table 1: exponents of loudness.
EXPONENTS = ([20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160], [0.635, 0.602, 0.569, 0.537, 0.509, 0.482, 0.456, 0.433, 0.412, 0.391])
USUAL_MEAN = ([25, 30, 36, 40, 55, 65, 72, 80, 120], [2.9, 1.9, 0.8, 0.1, 0.1, -1.7, -2.4, -0.6, -1.0])


AT_HZ = [25, 35, 50, 70, 95, 120]
OWN = ([6.3, 5.27, 4.46, 3.36, 3.44, 3.79], [0.448, 0.190, 0.130, 0.092, 0.086, 0.096])
SHARED = ([5.47, 4.99, 4.32, 3.16, 3.17, 2.36], [0.228, 0.169, 0.121, 0.094, 0.093, 0.081])


def between(f, values):
    return np.exp(np.interp(np.log(f), np.log(AT_HZ), np.log(values)))


def covariance(f, notes, variation):
    """Covariance over notes then grid, relative to the mean of the notes."""
    sd, reach = between(f, variation[0]), between(f, variation[1])
    both = reach[:, None] ** 2 + reach[None] ** 2
    apart = np.log2(f[:, None] / f[None])
    raw = np.outer(sd, sd) * np.sqrt(2 * np.outer(reach, reach) / both) * np.exp(-apart ** 2 / both)
    take = np.eye(len(f))
    take[:, :notes] -= 1 / notes
    return take @ raw @ take.T


def usual(notes, grid):
    """Covariances of what is a spot's own and of what all share, over notes then grid; and the mean."""
    f = np.concatenate([notes, grid])
    mean = np.interp(np.log(f), np.log(USUAL_MEAN[0]), USUAL_MEAN[1])
    n = len(notes)
    return covariance(f, n, OWN), covariance(f, n, SHARED), mean - mean[:n].mean()


def skewed(x):
    return np.where(x < -7, -7 + 1.27 * (x + 7), np.where(x > 8, 8 + 0.82 * (x - 8), x))


class Reference:
    def __init__(self, case):
        self.notes = np.array(case['notes_hz'])
        self.spots, n = case['spots'], len(case['notes_hz'])
        self.grid = self.notes[0] * 2 ** (np.arange(int(12 * np.log2(self.notes[-1] / self.notes[0]) + 1e-6) + 1) / 12)
        own, shared, self.mean = usual(self.notes, self.grid)
        self.whole = own + shared
        free = 0.3 ** 2 + 0.45 ** 2 * np.eye(n)
        both = shared[:n, :n]
        self.field = np.kron(np.ones((self.spots, self.spots)), both) + np.kron(np.eye(self.spots), own[:n, :n] + free)
        self.at_notes = self.whole[:n, :n] + free
        e = case['evidence']
        stays = sorted({x['stay'] for x in e})
        self.stays, start = len(stays), 6 + n + len(stays)
        self.size = start + self.spots * n
        exponent = lambda f: np.interp(np.log(f), np.log(EXPONENTS[0]), EXPONENTS[1])
        self.rows_heard = np.zeros((len(e), self.size))
        self.words = np.array([x['heard']['rating'] + 3 for x in e])
        for k, x in enumerate(e):
            self.rows_heard[k, start + x['spot'] * n + x['note']] = exponent(self.notes[x['note']]) / exponent(63.0)
            self.rows_heard[k, 6 + x['note']] = 1
            self.rows_heard[k, 6 + n + stays.index(x['stay'])] = 1
        self.low, self.high = -self.rows_heard.copy(), -self.rows_heard.copy()
        for k, w in enumerate(self.words):
            if w > 0:
                self.low[k, w - 1] += 1
            if w < 6:
                self.high[k, w] += 1
        self.start = start

    def prior(self, noise, drift, contour):
        n = len(self.notes)
        c = np.zeros((self.size, self.size))
        c[:6, :6] = 0.0625 * np.outer(BORDERS, BORDERS) + 0.25 + np.diag(0.01 * BORDERS ** 2)
        apart = np.log2(self.notes[:, None] / self.notes[None]) / 0.5
        c[6:6 + n, 6:6 + n] = contour ** 2 * (np.exp(-0.5 * apart ** 2) + 0.01 * np.eye(n))
        c[6 + n:self.start, 6 + n:self.start] = drift ** 2 * np.eye(self.stays)
        c[self.start:, self.start:] = self.field
        mean = np.zeros(self.size)
        mean[:6] = BORDERS
        mean[self.start:] = np.tile(self.mean[:n], self.spots)
        return np.linalg.inv(c), mean, np.linalg.slogdet(c)[1]

    def fit(self, noise, drift, contour, sites):
        precision0, mean0, log_c = self.prior(noise, drift, contour)
        pi, shift = sites[0].copy(), sites[1].copy()
        none_low, none_high = self.words == 0, self.words == 6
        before = None
        for step in range(15):
            p = precision0 + (self.low.T * pi[:, 0]) @ self.low + (self.high.T * pi[:, 2]) @ self.high
            cross = (self.low.T * pi[:, 1]) @ self.high
            p += cross + cross.T
            eta = precision0 @ mean0 + self.low.T @ shift[:, 0] + self.high.T @ shift[:, 1]
            factor = cho_factor(p, lower=True)
            mean, cov = cho_solve(factor, eta), cho_solve(factor, np.eye(self.size))
            heard = self.rows_heard @ mean
            last = step == 14 or (before is not None and np.abs(heard - before).max() < 0.05)
            before = heard
            m = np.stack([self.low @ mean, self.high @ mean], 1)
            cl, ch = self.low @ cov, self.high @ cov
            v = np.stack([(cl * self.low).sum(1), (cl * self.high).sum(1), (ch * self.high).sum(1)], 1)
            for k, none in ((0, none_low), (2, none_high)):
                v[none, k], v[none, 1], m[none, k // 2] = 1, 0, 0
            inverse = lambda a: np.stack([a[:, 2], -a[:, 1], a[:, 0]], 1) / (a[:, 0] * a[:, 2] - a[:, 1] ** 2)[:, None]
            times = lambda a, x: np.stack([a[:, 0] * x[:, 0] + a[:, 1] * x[:, 1], a[:, 1] * x[:, 0] + a[:, 2] * x[:, 1]], 1)
            own = inverse(v)
            vc = inverse(own - pi)
            mc = times(vc, times(own, m) - shift)
            wa, wb = np.sqrt(noise ** 2 + vc[:, 0]), np.sqrt(noise ** 2 + vc[:, 2])
            a, b = np.where(none_low, -np.inf, mc[:, 0] / wa), np.where(none_high, np.inf, mc[:, 1] / wb)
            z = (1 - CARELESS) * np.maximum(norm.cdf(b) - norm.cdf(a), 0) + CARELESS / 7
            if last:
                volume = lambda c, x: 0.5 * ((times(inverse(c), x) * x).sum(1) + np.log(c[:, 0] * c[:, 2] - c[:, 1] ** 2))
                log_evidence = (0.5 * (mean @ eta - 2 * np.log(np.diag(factor[0])).sum()) - 0.5 * (mean0 @ precision0 @ mean0 + log_c)
                                + (np.log(z) + volume(vc, mc) - volume(v, m)).sum())
                return dict(mean=mean, factor=factor, evidence=log_evidence, sites=(pi, shift))
            ga, gb = -(1 - CARELESS) * norm.pdf(a) / (z * wa), (1 - CARELESS) * norm.pdf(b) / (z * wb)
            finite = lambda x: np.where(np.isfinite(x), x, 0)
            h = np.stack([ga * ga + ga * finite(a) / wa, ga * gb, gb * gb + gb * finite(b) / wb], 1)
            full = lambda t: np.stack([t[:, [0, 1]], t[:, [1, 2]]], 1)
            new = full(h) @ np.linalg.inv(np.eye(2) - full(vc) @ full(h))
            values, vectors = np.linalg.eigh(0.5 * (new + new.transpose(0, 2, 1)))
            new = (vectors * np.maximum(values, 0)[:, None]) @ vectors.transpose(0, 2, 1)
            new = np.stack([new[:, 0, 0], new[:, 0, 1], new[:, 1, 1]], 1)
            g = np.stack([ga, gb], 1)
            wanted = times(new, mc) + g + times(new, times(vc, g))
            damping = 1.0 if step < 2 else 0.8
            pi, shift = pi + damping * (new - pi), shift + damping * (wanted - shift)

    def update(self):
        sites = (np.zeros((len(self.words), 3)), np.zeros((len(self.words), 2)))
        listener = lambda k: (1.5 * np.exp(0.35 * k), np.exp(1.3 * 0.35 * k), 1.5 * np.exp(0.9 * 0.35 * k))
        fits = {0: self.fit(*listener(0), sites)}
        for k, neighbour in ((1, 0), (2, 1), (-1, 0), (-2, -1)):
            fits[k] = self.fit(*listener(k), fits[neighbour]['sites'])
        keys = sorted(fits)
        logs = np.array([fits[k]['evidence'] - 0.5 * (0.35 * k / 0.5) ** 2 for k in keys])
        weights = np.exp(logs - logs.max())
        weights /= weights.sum()
        n, rng = len(self.notes), np.random.default_rng(3)
        to_grid = np.linalg.solve(self.at_notes, self.whole[:n, n:]).T
        rest = self.whole[n:, n:] - to_grid @ self.whole[:n, n:]
        loose = np.linalg.cholesky(rest + 1e-6 * np.eye(len(rest)))
        spreads = []
        for k, count in zip(keys, np.round(512 * weights).astype(int)):
            lower = np.tril(fits[k]['factor'][0])
            x = fits[k]['mean'][:, None] + np.linalg.solve(lower.T, rng.standard_normal((self.size, count)))
            curves = x[self.start:].reshape(self.spots, n, count)
            grid = self.mean[n:][:, None] - (to_grid @ self.mean[:n])[:, None] + to_grid @ curves + loose @ rng.standard_normal((self.spots, len(rest), count))
            spreads.append(skewed(grid).std(1))
        spread = np.concatenate(spreads, 1)
        leader = spread.mean(1).argmin()
        return spread.mean(1), (spread[leader] - spread.min(0)).mean()


def main():
    reference = Reference(json.load(open(sys.argv[1])))
    best = np.inf
    for _ in range(5):
        start = time.process_time()
        means, regret = reference.update()
        best = min(best, time.process_time() - start)
    print('full update %.1f ms, expected regret %.3f dB' % (best * 1e3, regret))
    print(' '.join('%d:%.2f' % (s, means[s]) for s in np.argsort(means)))


if __name__ == '__main__':
    main()
