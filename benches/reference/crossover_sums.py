"""Sums of crossover pairs with delay, polarity and level, by scipy: the values frozen in src/blend/sum/tests.rs.

    pip install numpy==2.4.6 scipy==1.17.1
    python benches/reference/crossover_sums.py

Not needed by the tests, which hold the values.
"""

import numpy as np
from scipy import signal

CORNER_HZ = 80.0
FREQUENCIES_HZ = CORNER_HZ * np.array([0.5, 2**-0.5, 1.0, 2**0.5, 2.0])


def response(kind, order, side, corner_hz, hz):
    w = 2 * np.pi * hz
    half = order if kind == "butterworth" else order // 2
    zpk = signal.butter(half, 2 * np.pi * corner_hz, side, analog=True, output="zpk")
    _, h = signal.freqs_zpk(*zpk, worN=w)
    return h if kind == "butterworth" else h * h


def total(low, high, hz, delay_s=0.0, inverted=False, gain_db=0.0):
    s = response(*low, hz) * 10 ** (gain_db / 20) * np.exp(-2j * np.pi * hz * delay_s)
    return response(*high, hz) + (-s if inverted else s)


def db(h):
    return 20 * np.log10(np.abs(h))


def smoothed_worst(low, high, **how):
    """1/6 octave in power, trapezoid of five points 1/24 octave apart, worst from the mean of 25 points over the octave."""
    step = np.arange(-14, 15)
    power = np.abs(total(low, high, CORNER_HZ * 2 ** (step / 24), **how)) ** 2
    weight = np.array([0.5, 1, 1, 1, 0.5]) / 4
    curve = 10 * np.log10(np.convolve(power, weight, "valid"))
    return np.max(np.abs(curve - curve.mean()))


print("pairs, in phase and inverted, dB at 0.5, 0.7071, 1, 1.4142, 2 times the corner")
for kind, orders in (("butterworth", range(1, 9)), ("linkwitz-riley", (2, 4, 8))):
    for order in orders:
        for inverted in (False, True):
            # A complete cancellation is rounding noise; it is left out of the frozen values.
            low, high = (kind, order, "lowpass", CORNER_HZ), (kind, order, "highpass", CORNER_HZ)
            print(kind, order, inverted, np.round(db(total(low, high, FREQUENCIES_HZ, inverted=inverted)), 4).tolist())

print("unequal: high-pass butterworth 2 at 70, low-pass linkwitz-riley 4 at 90; delay ms, inverted, gain; dB; worst, dB")
low, high = ("linkwitz-riley", 4, "lowpass", 90.0), ("butterworth", 2, "highpass", 70.0)
for delay_ms, inverted, gain_db in ((0, False, 0), (3.125, False, 3), (12.4335664, True, -4), (-5, True, 6), (7.5, False, -2)):
    how = dict(delay_s=delay_ms * 1e-3, inverted=inverted, gain_db=gain_db)
    levels = np.round(db(total(low, high, FREQUENCIES_HZ, **how)), 4).tolist()
    print(delay_ms, inverted, gain_db, levels, round(smoothed_worst(low, high, **how), 4))
