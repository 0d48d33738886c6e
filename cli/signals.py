"""Ctrl-C and SIGTERM as exceptions that are not lost on their way.

An exception in a Python function that C calls back is printed and forgotten.  numba's compiler has
such functions, and it runs until the first block is through; a signal that finds the program in
one of them is sent again a little later.
"""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

COMPILER = "llvmlite"  # the package of numba that C calls back
AGAIN_S = 0.05


class Terminated(KeyboardInterrupt):
    """SIGTERM, which ends a command as tidily as Ctrl-C does."""


EXCEPTIONS = {signal.SIGINT: KeyboardInterrupt, signal.SIGTERM: Terminated}


@contextmanager
def signals_as_exceptions() -> Iterator[None]:
    """Raise KeyboardInterrupt or Terminated in the block; a signal that is ignored stays so."""
    before = {number: signal.getsignal(number) for number in EXCEPTIONS}
    heard = [number for number, handler in before.items() if handler is not signal.SIG_IGN]
    try:
        for number in heard:
            signal.signal(number, _stop)
        yield
    finally:
        for number in heard:
            signal.signal(number, before[number])


def _stop(number: int, frame: FrameType | None) -> None:
    if not _in_compiler(frame):
        raise EXCEPTIONS[signal.Signals(number)]
    again = threading.Timer(AGAIN_S, signal.raise_signal, [number])
    again.daemon = True
    again.start()


def _in_compiler(frame: FrameType | None) -> bool:
    while frame is not None:
        if COMPILER in frame.f_globals.get("__name__", ""):
            return True
        frame = frame.f_back
    return False
