#!/usr/bin/env python3
"""Spot to seat response of a rigid, evenly damped box by image sources, positions from pyroomacoustics, and the time it takes.

pip install numpy==1.26.4 pyroomacoustics==0.10.1
5 x 4 x 2.5 m, c = 343 m/s, damping 100 1/s: strong enough that images of order 60 give 4e-8. The test of `room::green` has the
same two values; `cargo bench --bench room` times the closed form.
"""
import time
import numpy as np
import pyroomacoustics as pra

C, DAMPING = 343.0, 100.0
SIZE, SOURCE, RECEIVER = [5.0, 4.0, 2.5], [1.0, 0.7, 0.5], [3.2, 2.9, 1.2]


def main():
    start = time.process_time()
    room = pra.ShoeBox(SIZE, fs=8000, materials=pra.Material(0.0), max_order=60, air_absorption=False)
    room.add_source(SOURCE)
    room.add_microphone(RECEIVER)
    room.image_source_model()
    distance = np.linalg.norm(room.sources[0].images - np.array(RECEIVER)[:, None], axis=0)
    made = time.process_time()
    for frequency in (34.3, 63.0):
        k = (2 * np.pi * frequency - 1j * DAMPING) / C
        print(frequency, np.sum(np.exp(-1j * k * distance) / (4 * np.pi * distance)))
    done = time.process_time()
    print('%d images: %.0f ms of processor time to place, %.1f ms a frequency' % (len(distance), (made - start) * 1e3, (done - made) * 500))


if __name__ == '__main__':
    main()
