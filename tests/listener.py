"""A program of the tests: record both channels of a device into a file of raw 32-bit floats.

``python -m tests.listener DEVICE FILE``, until it is terminated.
"""

import signal
import sys
import time
from typing import Any


def main(device: str, path: str) -> None:
    """Record until SIGTERM, and leave properly: a client that just dies halts JACK for seconds."""
    import sounddevice as sd

    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(0))

    with open(path, "wb", buffering=0) as file:

        def keep(block: Any, frames: int, when: Any, status: Any) -> None:
            file.write(block)

        with sd.RawInputStream(
            device=device, samplerate=48_000, channels=2, dtype="float32", callback=keep
        ):
            while True:
                time.sleep(1.0)


if __name__ == "__main__":
    main(*sys.argv[1:])
