"""Speed and spectra of the same signals made with numpy and scipy.

    pip install numpy==2.4.6 scipy==1.17.1
    python benches/reference/signals.py            speed, next to `cargo bench --bench signals`
    python benches/reference/signals.py check DIR  compares rendered files with numpy's and scipy's

For `check`, render these into DIR first (48 kHz, mono, 32-bit float WAV, 0 dBFS, no ramp):

    pure.wav    pure 50 Hz, 10 s          warble.wav  warble 50 Hz, 1/12 octave, 2 Hz, sine, 10 s
    sweep.wav   sweep 20 to 200 Hz, exponential, 10 s

Not needed by the tests, which hold frozen values.
"""

import sys
import time

import numpy as np
from scipy import signal

RATE = 48000
SECONDS = 60
RUNS = 5
DEVIATION_HZ = 50 * (2 ** (1 / 12) - 2 ** (-1 / 12)) / 2


def times(seconds):
    return np.arange(seconds * RATE) / RATE


def pure(t):
    return np.sin(2 * np.pi * 50 * t)


def warble_sine(t):
    return np.sin(2 * np.pi * 50 * t + DEVIATION_HZ / 2 * np.sin(2 * np.pi * 2 * t))


def warble_triangle(t):
    u = (2 * t + 0.5) % 1 - 0.5
    return np.sin(2 * np.pi * (50 * t + DEVIATION_HZ / 2 * (u - 2 * u * np.abs(u))))


def sweep_exponential(t):
    scale = SECONDS / np.log(10)
    return np.sin(2 * np.pi * 20 * scale * np.expm1(t / scale))


def sweep_linear(t):
    return np.sin(2 * np.pi * (20 * t + 90 / SECONDS * t * t))


def burst(t):
    cycles = np.maximum(t % 0.23 - 0.1, 0) * 50
    return 0.5 * (1 - np.cos(2 * np.pi * cycles / 6.5)) * np.sin(2 * np.pi * cycles)


def band_noise(t):
    """Lines in the spectrum, one inverse transform for each period of 13 s, the periods put in a row."""
    period = 13 * RATE
    bins = np.zeros(period // 2 + 1, complex)
    phases = np.random.default_rng(1).random(120) * 2 * np.pi
    bins[462:582] = np.exp(1j * phases) * period / 2 / np.sqrt(120)
    loop = np.fft.irfft(bins, period)
    return np.resize(loop, len(t))


def speed():
    t = times(SECONDS)
    print(f"{'signal':<22}{'times real time':>16}")
    for make in (pure, warble_sine, warble_triangle, sweep_exponential, sweep_linear, burst, band_noise):
        best = float("inf")
        for _ in range(RUNS):
            started = time.perf_counter()
            make(t)
            best = min(best, time.perf_counter() - started)
        print(f"{make.__name__:<22}{SECONDS / best:>16.0f}")


def read(path):
    from scipy.io import wavfile

    rate, samples = wavfile.read(path)
    assert rate == RATE, f"{path} is at {rate} Hz"
    return samples.astype(float)


def check(folder):
    t = times(10)
    chirp = signal.chirp(t, 20, 10, 200, method="logarithmic", phi=-90)
    for name, expected in (("pure", pure(t)), ("warble", warble_sine(t)), ("sweep", chirp)):
        found = read(f"{folder}/{name}.wav")[: len(t)]
        worst = np.abs(found - expected).max()
        print(f"{name}: largest difference {worst:.3g} (single precision: 6e-8)")


if __name__ == "__main__":
    if sys.argv[1:2] == ["check"]:
        check(sys.argv[2])
    else:
        speed()
