"""Ctrl-C and SIGTERM reach the command, also from where an exception would be lost."""

import ctypes
import signal
import sys
import time
from collections.abc import Callable
from typing import Any

import pytest

from carrierfloor.cli.signals import COMPILER, Terminated, signals_as_exceptions

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals are different there")

PATIENCE_S = 10.0


def wait_after(act: Callable[[], object]) -> None:
    """Do something, then wait as a loop of Python does, until a signal ends it."""
    act()
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        time.sleep(0.001)


@pytest.mark.parametrize(
    ("number", "exception"), [(signal.SIGINT, KeyboardInterrupt), (signal.SIGTERM, Terminated)]
)
def test_signal_is_raised(number: signal.Signals, exception: type[BaseException]) -> None:
    before = signal.getsignal(number)
    with pytest.raises(exception) as caught, signals_as_exceptions():
        wait_after(lambda: signal.raise_signal(number))
    assert caught.type is exception
    assert signal.getsignal(number) is before


@pytest.mark.parametrize(
    ("number", "exception"), [(signal.SIGINT, KeyboardInterrupt), (signal.SIGTERM, Terminated)]
)
def test_signal_within_a_callback_of_the_compiler_comes_later(
    number: signal.Signals, exception: type[BaseException]
) -> None:
    """A real C callback, in a module that bears the compiler's name, as llvmlite's own does."""
    module: dict[str, Any] = {
        "__name__": f"{COMPILER}.binding.executionengine",
        "send": lambda: signal.raise_signal(number),
    }
    exec("def callback():\n    send()\n    return 7\n", module)
    results: list[int] = []
    called_from_c = ctypes.CFUNCTYPE(ctypes.c_int)(module["callback"])
    with pytest.raises(exception), signals_as_exceptions():
        wait_after(lambda: results.append(called_from_c()))
    assert results == [7]  # C got its answer, and the exception came after it


def test_ignored_signal_stays_ignored() -> None:
    """As under nohup."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with signals_as_exceptions():
            signal.raise_signal(signal.SIGINT)
            assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)
