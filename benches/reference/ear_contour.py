"""How flat a sum can be made by ear alone, if only the person's own contour is in the way.

    pip install numpy==2.4.6
    python benches/reference/ear_contour.py

The contour is normal, 1.5 dB, related over half an octave; whoever makes everything sound equally loud leaves its negative behind.
Printed: the worst deviation from the mean over an octave, median and 90th percentile, and the share within 2 dB.
"""

import numpy as np

octaves = np.arange(-0.5, 0.5001, 1 / 24)
apart = octaves[:, None] - octaves[None, :]
draws = np.random.default_rng(0)
for size_db in (1.2, 1.5):
    covariance = size_db**2 * np.exp(-0.5 * (apart / 0.5) ** 2) + 1e-9 * np.eye(len(octaves))
    contour = np.linalg.cholesky(covariance) @ draws.normal(size=(len(octaves), 20000))
    worst = np.abs(contour - contour.mean(0)).max(0)
    print(size_db, np.percentile(worst, [50, 90]).round(2), (worst < 2).mean().round(3))
