"""A program of the tests: play a file of raw 32-bit floats, two channels, on a device.

``python -m tests.talker DEVICE FILE``, until the end of the file or SIGTERM.
"""

import signal
import sys
import threading
from typing import Any

import numpy as np

TAIL_S = 0.2  # for what is still on its way


def main(device: str, path: str) -> None:
    """Play it, and leave properly: a client that just dies halts JACK for seconds."""
    import sounddevice as sd

    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(0))
    samples = np.fromfile(path, np.float32).reshape(-1, 2)
    position, done = 0, threading.Event()

    def fill(block: Any, frames: int, when: Any, status: Any) -> None:
        nonlocal position
        part = samples[position : position + frames]
        block[: len(part)] = part
        block[len(part) :] = 0.0
        position += frames
        if position > len(samples) + TAIL_S * 48_000:
            done.set()

    with sd.OutputStream(
        device=device, samplerate=48_000, channels=2, dtype="float32", callback=fill
    ):
        done.wait()


if __name__ == "__main__":
    main(*sys.argv[1:])
