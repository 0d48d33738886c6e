"""A program of the tests: a simple transmitter and its detector between two JACK cables.

``python -m tests.transmitter_box FROM TO GAIN FLOOR``, until it is terminated.  What comes out of
one cable goes filtered and with the given gain (negative: inverted) into the other, never below
the floor.
"""

import signal
import sys
import time
from typing import Any

import numpy as np
from scipy.signal import butter, sosfilt

RATE_HZ = 48_000
LOW_HZ, HIGH_HZ = 60.0, 5000.0  # second-order Butterworth: q 0.707


def main(source: str, target: str, gain: str, floor: str) -> None:
    """Run until SIGTERM, and leave properly: a client that just dies halts JACK for seconds."""
    import sounddevice as sd

    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(0))
    high = butter(2, LOW_HZ, "highpass", fs=RATE_HZ, output="sos")
    low = butter(2, HIGH_HZ, "lowpass", fs=RATE_HZ, output="sos")
    sections = np.vstack([high, low])
    state = np.zeros((len(sections), 2))

    def through(block: Any, out: Any, frames: int, when: Any, status: Any) -> None:
        nonlocal state
        filtered, state = sosfilt(sections, block[:, 0].astype(np.float64), zi=state)
        out[:] = np.clip(float(gain) * filtered, float(floor), 1.0)[:, np.newaxis]

    with sd.Stream(
        device=(source, target),
        samplerate=RATE_HZ,
        channels=2,
        dtype="float32",
        callback=through,
    ):
        print("ready", flush=True)
        while True:
            time.sleep(1.0)


if __name__ == "__main__":
    main(*sys.argv[1:])
