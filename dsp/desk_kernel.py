"""The live desk's compiled loop; what it does is in desk.py, the memory in desk_layout.py.

It never waits, allocates or calls Python: the audio callback runs it.
"""

import math

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp import desk_layout as at
from carrierfloor.dsp import limiter_layout
from carrierfloor.dsp.engine import STATE, exchange, run_rows
from carrierfloor.dsp.entry import entry_kernel
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.output import FAULT
from carrierfloor.dsp.stage import HOP, Block

Words = NDArray[np.int64]

FADE_SAMPLES = 240  # of the fader in front of the limiter, 5 ms
CHANGE_HOPS = 8  # of the faders behind the voices, 21 ms
GAIN_SHARE = 0.05  # of the way that a voice's gain goes in a hop: within 0.15 s
NEGLIGIBLE = 1e-6
LIMITER, OUTPUT = 0, 1  # rows of the closing table
FIRST_PATH = 1  # of the limiter's paths; its path 0 is the sound card


@kernel
def run_desk(words: Block, whole: Words, block: Block) -> None:
    """Take microphone samples and give sound-card samples, in place, ``HOP`` samples late.

    Parameters
    ----------
    words, whole : ndarray of float64 and of int64, shape (WORDS,)
        The same memory, with the engine's address in ENGINE.
    block : ndarray of float64, shape (n,)
        Samples at 48 kHz, any n.
    """
    if whole[at.RUN] == 0 or whole[at.ENGINE] == 0:
        whole[at.RUNNING] = 0
        block[:] = 0.0
        return
    if whole[at.RUNNING] == 0 or whole[at.RESTARTED] != whole[at.RESTART]:
        cut(words, whole)
        whole[at.RESTARTED] = whole[at.RESTART]
        whole[at.RUNNING] = 1
    queue = words[at.QUEUE : at.QUEUE + HOP]
    fresh, done = whole[at.FRESH], 0
    while done < block.shape[0]:
        count = min(HOP - fresh, block.shape[0] - done)
        exchange(block[done : done + count], queue[fresh : fresh + count])
        done += count
        fresh += count
        if fresh == HOP:
            _run_hop(words, whole, queue)
            fresh = 0
    whole[at.FRESH] = fresh


@kernel
def cut(words: Block, whole: Words) -> None:
    """Be silent at once and begin anew once every path has rung out.

    For what breaks the stream of samples to the antenna, a gap in the sound card's output above
    all: the limiter no longer knows the state of the paths, and knows it again when they are
    at rest.
    """
    words[at.QUEUE + whole[at.FRESH] : at.QUEUE + HOP] = 0.0
    words[at.CLOSING : at.CLOSING_INITIAL] = words[at.CLOSING_INITIAL : at.RAW]
    words[at.LEVEL] = 0.0
    whole[at.HELD] = whole[at.HOLD]
    whole[at.CUTS] += 1


@kernel
def _run_hop(words: Block, whole: Words, hop: Block) -> None:
    hops = whole[at.HOPS]
    reading = at.READINGS + (hops % at.RING_READINGS) * at.READING
    read = words[reading : reading + at.READING]
    entry_kernel(words[:0], words[at.ENTRY : at.ENTRY_END], hop)
    _keep(words, at.RAW, hops, hop)
    read[at.INPUT_PEAK], read[at.INPUT_ENERGY] = _largest(hop), _energy(hop)
    mix = words[at.MIX : at.MIX + HOP]
    mix[:] = 0.0
    for slot in range(at.SLOTS):
        read[at.SLOT_ENERGY + slot] = 0.0
        if whole[at.LOADED + slot] != 0:
            work = words[at.WORK : at.WORK + HOP]
            work[:] = hop
            _run_table(words, whole, slot, at.ARENAS + slot * at.SLOT_SIZE, work)
            read[at.SLOT_ENERGY + slot] = _energy(work)
            _add_voice(words, slot, whole[at.CHOSEN] == slot, work, mix)
        else:
            words[at.HEARD + slot] = 0.0
    hop[:] = mix
    _fade(words, whole, hop)
    _run_table(words, whole, at.SLOTS, at.CLOSING, hop)
    _keep(words, at.CARD, hops, hop)
    _read_antenna(words, whole, hops, read)
    read[at.CARD_PEAK] = _largest(hop)
    whole[at.HOPS] = hops + 1


@kernel
def _run_table(words: Block, whole: Words, table: int, arena: int, hop: Block) -> None:
    """Run a voice, or the limiter and the output."""
    begin = at.TABLES + table * at.MOST_ROWS * at.ROW
    rows = whole[begin : begin + whole[at.ROWS + table] * at.ROW].reshape((-1, at.ROW))
    run_rows(whole[at.ENGINE], rows, words[arena : arena + at.SLOT_SIZE], hop)


@kernel
def _add_voice(words: Block, slot: int, chosen: bool, work: Block, mix: Block) -> None:
    """Add a voice to the mix, as far as its fader is up; the faders of two voices add up to 1."""
    was, gain = words[at.HEARD + slot], words[at.GAINS_NOW + slot]
    wanted = words[at.GAINS + slot]
    heard = min(was + 1.0 / CHANGE_HOPS, 1.0) if chosen else max(was - 1.0 / CHANGE_HOPS, 0.0)
    near = abs(wanted - gain) <= NEGLIGIBLE * wanted
    next_gain = wanted if near or was == 0.0 else gain + GAIN_SHARE * (wanted - gain)
    if was == 0.0:
        gain = next_gain
    words[at.HEARD + slot], words[at.GAINS_NOW + slot] = heard, next_gain
    if heard == 0.0 and was == 0.0:
        return
    if heard == 1.0 and was == 1.0 and gain == next_gain:
        for i in range(HOP):
            mix[i] += gain * work[i]
        return
    for i in range(HOP):
        done = (i + 1.0) / HOP
        up = was + done * (heard - was)
        fader = 0.5 - 0.5 * math.cos(math.pi * up)
        mix[i] += fader * (gain + done * (next_gain - gain)) * work[i]


@kernel
def _fade(words: Block, whole: Words, hop: Block) -> None:
    """Move the fader in front of the limiter: up when open and nothing is awaited, else down."""
    level = words[at.LEVEL]
    step = (
        1.0 / FADE_SAMPLES if whole[at.OPEN] != 0 and whole[at.HELD] <= 0 else -1.0 / FADE_SAMPLES
    )
    whole[at.HELD] = max(whole[at.HELD] - HOP, 0)
    if level >= 1.0 and step > 0.0:
        return
    for i in range(HOP):
        level = min(max(level + step, 0.0), 1.0)
        hop[i] *= 0.5 - 0.5 * math.cos(math.pi * level)
    words[at.LEVEL] = level


@kernel
def _read_antenna(words: Block, whole: Words, hops: int, read: Block) -> None:
    """Keep what the limiter and the output know of this hop."""
    limiter = words[at.CLOSING + _state_of(whole, LIMITER) :]
    read[at.LEAST_GAIN] = limiter[limiter_layout.LEAST_GAIN_NOW]
    read[at.NEGATIVE_PEAK] = limiter[limiter_layout.NEGATIVE_PEAK_NOW]
    read[at.POSITIVE_PEAK] = limiter[limiter_layout.POSITIVE_PEAK_NOW]
    read[at.FAULT] = words[at.CLOSING + _state_of(whole, OUTPUT) + FAULT]
    first = limiter_layout.own_of(limiter, FIRST_PATH)
    z = first[limiter_layout.Z + limiter_layout.PAST :][:HOP]
    _keep(words, at.ANTENNA, hops, z)
    read[at.ANTENNA_ENERGY] = _energy(z)


@kernel
def _state_of(whole: Words, row: int) -> int:
    return int(whole[at.TABLES + at.SLOTS * at.MOST_ROWS * at.ROW + row * at.ROW + STATE])


@kernel
def _keep(words: Block, ring: int, hops: int, hop: Block) -> None:
    start = ring + (hops % at.RING_READINGS) * HOP
    words[start : start + HOP] = hop


@kernel
def _largest(hop: Block) -> float:
    largest = 0.0
    for i in range(HOP):
        largest = max(largest, abs(hop[i]))
    return largest


@kernel
def _energy(hop: Block) -> float:
    total = 0.0
    for i in range(HOP):
        total += hop[i] * hop[i]
    return total
