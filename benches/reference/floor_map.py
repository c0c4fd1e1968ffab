#!/usr/bin/env python3
"""The product behind the floor map of a rectangle in numpy with its BLAS, and how long it takes.

pip install numpy==1.26.4
6.0 x 5.0 m at 5 cm, 88 frequencies, 3 seats, the same waves as `cargo bench --bench room`: single precision, pressures of
all waves over the floor at all places times what each brings to each seat at each frequency, then levels and spreads.
"""
import time
import numpy as np

C, LENGTH, WIDTH = 343.2, 6.0, 5.0


def main():
    reach = 2 * np.pi * 600.0 / C
    half_waves = [(x, y) for x in range(40) for y in range(40) if np.hypot(x * np.pi / LENGTH, y * np.pi / WIDTH) <= reach]
    x = np.arange(0.025, LENGTH, 0.05)
    y = np.arange(0.025, WIDTH, 0.05)
    answers = np.random.default_rng(1).standard_normal((len(half_waves), 3 * 2 * 88)).astype(np.float32)

    def work():
        along_x = np.sqrt(2) * np.cos(np.outer(x, np.arange(40)) * np.pi / LENGTH)
        along_y = np.sqrt(2) * np.cos(np.outer(y, np.arange(40)) * np.pi / WIDTH)
        along_x[:, 0] = along_y[:, 0] = 1
        n = np.array(half_waves)
        waves = (along_y[:, None, n[:, 1]] * along_x[None, :, n[:, 0]]).astype(np.float32).reshape(-1, len(n))
        pressure = (waves @ answers).reshape(len(waves), 3, 2, 88)
        level = 10 * np.log10(pressure[:, :, 0] ** 2 + pressure[:, :, 1] ** 2)
        return level.std(axis=2)

    best = spent = float('inf')
    for _ in range(10):
        start, before = time.perf_counter(), time.process_time()
        work()
        spent = min(spent, time.process_time() - before)
        best = min(best, time.perf_counter() - start)
    print('%d waves, %d places: %.0f ms of processor time, %.0f ms by the clock'
          % (len(half_waves), len(x) * len(y), spent * 1e3, best * 1e3))


if __name__ == '__main__':
    main()
