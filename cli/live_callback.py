"""The audio callbacks that PortAudio calls, compiled.

Python's interpreter and its garbage collector cannot hold them up.  They use nothing but the
session's memory, whose address is PortAudio's ``userData``.
"""

import ctypes
import sys
from functools import cache
from typing import Any

import numpy as np
from numba import carray, types

from carrierfloor.dsp import live_layout as at
from carrierfloor.dsp.desk_kernel import Words
from carrierfloor.dsp.kernel import c_callback, kernel
from carrierfloor.dsp.live_kernel import cut_output, give_monitor, give_output, take_input

# portaudio.h: PaStreamCallback, the bits of its flags, and what it returns.
UNSIGNED_LONG = types.uint32 if ctypes.sizeof(ctypes.c_ulong) == 4 else types.uint64
SIGNATURE = types.int32(
    types.voidptr, types.voidptr, UNSIGNED_LONG, types.voidptr, UNSIGNED_LONG, types.voidptr
)
INPUT_OVERFLOW, OUTPUT_UNDERFLOW = 2, 4
CONTINUE, ABORT = 0, 2

# time.h of Linux and macOS: seconds and nanoseconds into two words.
MONOTONIC = np.int32(6 if sys.platform == "darwin" else 1)
_clock_gettime = types.ExternalFunction("clock_gettime", types.int32(types.int32, types.voidptr))


@kernel
def now_s(whole: Words, clock: int) -> float:
    """Read the clock by way of two words of the memory."""
    _clock_gettime(MONOTONIC, whole[clock : clock + 2].ctypes)
    return float(whole[clock]) + 1e-9 * float(whole[clock + 1])


@cache
def for_output() -> Any:
    """Return the callback of the output, or of input and output in one stream."""
    return c_callback(SIGNATURE, _output)


@cache
def for_input() -> Any:
    """Return the callback of an input with a stream of its own."""
    return c_callback(SIGNATURE, _input)


@cache
def for_monitor() -> Any:
    """Return the callback of the monitor."""
    return c_callback(SIGNATURE, _monitor)


def _output(heard: Any, sent: Any, count: Any, _times: Any, flags: Any, memory: Any) -> int:
    words = carray(memory, (at.END,), dtype=np.float64)
    whole = carray(memory, (at.END,), dtype=np.int64)
    begun = now_s(whole, at.OUT_CLOCK)
    frames = carray(sent, (count, whole[at.OUT_CHANNELS]), dtype=np.float32)
    frames[:] = 0.0  # first: what is left untouched would be played again and again
    if count > at.MOST_FRAMES:
        return ABORT
    if flags & OUTPUT_UNDERFLOW:
        whole[at.OUTPUT_UNDERFLOWS] += 1
        cut_output(words, whole)
    if whole[at.HAS_INPUT] != 0:
        if flags & INPUT_OVERFLOW:
            whole[at.INPUT_OVERFLOWS] += 1
        take_input(
            words, whole, carray(heard, (count, whole[at.IN_CHANNELS]), dtype=np.float32), begun
        )
    give_output(words, whole, frames, begun)
    took_s = now_s(whole, at.OUT_CLOCK) - begun
    load = at.LOAD + whole[at.CALLBACKS] % at.LOADS
    words[load] = took_s * whole[at.RATE_HZ] / max(count, 1)
    return CONTINUE


def _input(heard: Any, _sent: Any, count: Any, _times: Any, flags: Any, memory: Any) -> int:
    words = carray(memory, (at.END,), dtype=np.float64)
    whole = carray(memory, (at.END,), dtype=np.int64)
    if count > at.MOST_FRAMES:
        return ABORT
    if flags & INPUT_OVERFLOW:
        whole[at.INPUT_OVERFLOWS] += 1
    frames = carray(heard, (count, whole[at.IN_CHANNELS]), dtype=np.float32)
    take_input(words, whole, frames, now_s(whole, at.IN_CLOCK))
    return CONTINUE


def _monitor(_heard: Any, sent: Any, count: Any, _times: Any, _flags: Any, memory: Any) -> int:
    words = carray(memory, (at.END,), dtype=np.float64)
    whole = carray(memory, (at.END,), dtype=np.int64)
    frames = carray(sent, (count, whole[at.MONITOR_CHANNELS]), dtype=np.float32)
    frames[:] = 0.0
    if count > at.MOST_FRAMES:
        return ABORT
    give_monitor(words, whole, frames, now_s(whole, at.MONITOR_CLOCK))
    return CONTINUE
