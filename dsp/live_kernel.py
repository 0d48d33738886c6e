"""What a live audio callback does with its frames: microphone in, desk, sound card out.

Compiled; it never waits, allocates or calls Python.  The callbacks proper, which know PortAudio,
are in cli/live_callback.py.
"""

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp import desk_layout
from carrierfloor.dsp import live_layout as at
from carrierfloor.dsp.bridge_kernel import bridge_clear, bridge_needs, bridge_read, bridge_write
from carrierfloor.dsp.bridge_layout import BRIDGE_COEFFICIENTS_SIZE, BRIDGE_STATE_SIZE
from carrierfloor.dsp.desk_kernel import Words, cut, run_desk
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import HOP, Block

Frames = NDArray[np.float32]  # shape (frames, channels)

MONITOR_GAIN = 0.5  # leaves room for crests of +200 %


@kernel
def take_input(words: Block, whole: Words, frames: Frames, now_s: float) -> None:
    """Hand microphone frames to the bridge that leads to the desk.

    Parameters
    ----------
    words, whole : ndarray of float64 and of int64, shape (live_layout.END,)
        The session's memory.
    frames : ndarray of float32, shape (frames, channels)
        From the device; at most MOST_FRAMES.
    now_s : float
        A clock that never goes back.
    """
    mono = words[at.IN_BLOCK : at.IN_BLOCK + frames.shape[0]]
    column, channels = whole[at.IN_COLUMN], frames.shape[1]
    for i in range(frames.shape[0]):
        if column >= 0:
            mono[i] = frames[i, column]
        else:
            total = 0.0
            for channel in range(channels):
                total += frames[i, channel]
            mono[i] = total / channels
    coefficients, state = _bridge(words, at.IN_BRIDGE)
    bridge_write(coefficients, state, mono, now_s)
    whole[at.INPUT_CALLBACKS] += 1


@kernel
def give_output(words: Block, whole: Words, frames: Frames, now_s: float) -> None:
    """Run the desk for as long as a block of the output lasts and fill the frames."""
    card = words[at.OUT_BLOCK : at.OUT_BLOCK + frames.shape[0]]
    from_coefficients, from_state = _bridge(words, at.IN_BRIDGE)
    if whole[at.OUT_BRIDGED] == 0:
        bridge_read(from_coefficients, from_state, card, now_s)
        run_desk(words, whole, card)
    else:
        to_coefficients, to_state = _bridge(words, at.OUT_BRIDGE)
        needed = bridge_needs(to_coefficients, to_state, frames.shape[0])
        chain = words[at.CHAIN_BLOCK : at.CHAIN_BLOCK + needed]
        bridge_read(from_coefficients, from_state, chain, now_s)
        run_desk(words, whole, chain)
        bridge_write(to_coefficients, to_state, chain, now_s)
        bridge_read(to_coefficients, to_state, card, now_s)
    _spread(card, whole[at.OUT_COLUMN], frames)
    _feed_monitor(words, whole, now_s)
    whole[at.CALLBACKS] += 1


@kernel
def cut_output(words: Block, whole: Words) -> None:
    """Be silent at once; see :func:`carrierfloor.dsp.desk_kernel.cut`."""
    if whole[desk_layout.RUNNING] != 0:
        cut(words, whole)
    if whole[at.OUT_BRIDGED] != 0:
        coefficients, state = _bridge(words, at.OUT_BRIDGE)
        bridge_clear(coefficients, state)


@kernel
def give_monitor(words: Block, whole: Words, frames: Frames, now_s: float) -> None:
    """Fill the frames of the monitor."""
    sound = words[at.MONITOR_BLOCK : at.MONITOR_BLOCK + frames.shape[0]]
    coefficients, state = _bridge(words, at.MONITOR_BRIDGE)
    bridge_read(coefficients, state, sound, now_s)
    _spread(sound, at.ALL, frames)


@kernel
def _feed_monitor(words: Block, whole: Words, now_s: float) -> None:
    """Hand on what an envelope detector would hear: the carrier's level less its mean."""
    hops = whole[desk_layout.HOPS]
    if whole[at.MONITOR_CHANNELS] == 0:
        whole[at.MONITORED] = hops
    coefficients, state = _bridge(words, at.MONITOR_BRIDGE)
    heard = words[at.CHAIN_BLOCK : at.CHAIN_BLOCK + HOP]
    while whole[at.MONITORED] < hops:
        start = desk_layout.ANTENNA + whole[at.MONITORED] % desk_layout.RING_READINGS * HOP
        for i in range(HOP):
            heard[i] = MONITOR_GAIN * max(words[start + i], -1.0)
        bridge_write(coefficients, state, heard, now_s)
        whole[at.MONITORED] += 1


@kernel
def _spread(mono: Block, column: int, frames: Frames) -> None:
    for i in range(frames.shape[0]):
        for channel in range(frames.shape[1]):
            used = column < 0 or column == channel
            frames[i, channel] = mono[i] if used else 0.0


@kernel
def _bridge(words: Block, start: int) -> tuple[Block, Block]:
    middle = start + BRIDGE_COEFFICIENTS_SIZE
    return words[start:middle], words[middle : middle + BRIDGE_STATE_SIZE]
