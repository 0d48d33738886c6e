"""The two ends of a bridge: write, read, and how much of one the other needs.

On a shortage an adaptive bridge fades out on its last samples played backwards, which join
without a step; then it is silent until the ring holds the target again, and fades in.
"""

from carrierfloor.dsp.bridge_clock import follow, samples_since, start, step_of, target_of
from carrierfloor.dsp.bridge_filter import fade, outputs_within, play, used_by
from carrierfloor.dsp.bridge_layout import (
    ADAPTIVE,
    BURST,
    CHUNK,
    CLEARED,
    END,
    FADING,
    FIRST_MARK,
    FLOOR,
    GLITCHES,
    INDEX,
    LARGEST_READ,
    LARGEST_WRITE,
    LAST_BURST,
    LOCKED,
    MARKS,
    MASK,
    MAX_BLOCK,
    MAX_FILL,
    MAX_TAPS,
    MODE,
    NEWEST_MARK,
    PHASE,
    PLAYING,
    RING,
    SAMPLES,
    SILENT,
    STEP,
    WRITE_RATE,
    WRITTEN,
    fence,
    whole,
)
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block


@kernel
def bridge_write(coefficients: Block, state: Block, samples: Block, now_s: float) -> None:
    """Put samples into the ring; never waits, never fails.

    Parameters
    ----------
    coefficients, state : ndarray of float64
        Of the bridge.
    samples : ndarray of float64, shape (n,)
        Any n, best at most ``MAX_BLOCK``.
    now_s : float
        When, by a clock that both sides share.
    """
    written = whole(state[WRITTEN])
    done = max(0, samples.shape[0] - RING)
    while done < samples.shape[0]:
        place = (written + done) & MASK
        size = min(samples.shape[0] - done, RING - place)
        new = samples[done : done + size]
        ring = state[SAMPLES + place : SAMPLES + place + size]
        for i in range(size):
            ring[i] = new[i]
        done += size
    written += samples.shape[0]
    state[WRITTEN] = float(written)
    state[LARGEST_WRITE] = max(state[LARGEST_WRITE], float(samples.shape[0]))
    _count_burst(coefficients, state, samples.shape[0], now_s)
    newest = whole(state[NEWEST_MARK]) + 1
    mark = FIRST_MARK + 2 * (newest & (MARKS - 1))
    state[mark] = float(written)
    state[mark + 1] = now_s
    fence()
    state[NEWEST_MARK] = float(newest)


@kernel
def _count_burst(coefficients: Block, state: Block, count: int, now_s: float) -> None:
    """Add a block to those that came with it; a sound server may hand over several at once."""
    _, before_s = _newest(state)
    if 0.0 <= now_s - before_s < 0.5 * count / coefficients[WRITE_RATE]:
        state[BURST] = min(state[BURST] + count, float(MAX_BLOCK))
    else:
        state[LAST_BURST], state[BURST] = state[BURST], float(count)


@kernel
def bridge_read(coefficients: Block, state: Block, out: Block, now_s: float) -> None:
    """Fill ``out``, shape (n,), any n up to ``MAX_BLOCK``; with zeros where there is nothing."""
    written, written_s = _newest(state)
    if coefficients[MODE] == ADAPTIVE:
        _read_adaptive(coefficients, state, out, written, now_s - written_s)
    else:
        _read_in_step(coefficients, state, out, written)


@kernel
def bridge_needs(coefficients: Block, state: Block, count: int) -> int:
    """Return how many samples must still be written so that ``count`` can be read."""
    written, _ = _newest(state)
    return max(0, used_by(coefficients, state, coefficients[STEP], count) - written)


@kernel
def bridge_ready(coefficients: Block, state: Block) -> int:
    """Return how many samples of a direct or fixed bridge can be read now."""
    written, _ = _newest(state)
    return outputs_within(coefficients, state, written)


@kernel
def bridge_clear(coefficients: Block, state: Block) -> None:
    """Let all that is in the ring, and in the filter, count as zeros; the reader calls this."""
    written, _ = _newest(state)
    state[CLEARED] = float(written)


@kernel
def _newest(state: Block) -> tuple[int, float]:
    """Return how many samples have been written, and when that was."""
    mark = FIRST_MARK + 2 * (whole(state[NEWEST_MARK]) & (MARKS - 1))
    fence()
    return whole(state[mark]), state[mark + 1]


@kernel
def _read_in_step(coefficients: Block, state: Block, out: Block, written: int) -> None:
    """Read a direct or fixed bridge: what is there, then zeros."""
    if written - whole(state[INDEX]) > MAX_FILL:  # overtaken by the writer
        state[INDEX] = float(written)
        state[GLITCHES] += 1.0
    count = min(out.shape[0], outputs_within(coefficients, state, written))
    if count < out.shape[0]:
        state[GLITCHES] += 1.0
        out[count:] = 0.0
    for first in range(0, count, CHUNK):
        piece = out[first : min(first + CHUNK, count)]
        play(coefficients, state, coefficients[STEP], written, piece)


@kernel
def _read_adaptive(
    coefficients: Block, state: Block, out: Block, written: int, elapsed_s: float
) -> None:
    """Read a bridge between two clocks."""
    count = out.shape[0]
    state[LARGEST_READ] = max(state[LARGEST_READ], float(count))
    target = target_of(coefficients, state)
    made = written + samples_since(coefficients, state, elapsed_s)
    if state[PHASE] == SILENT:
        start(coefficients, state, made - target, written, count)
    first_index = whole(state[INDEX])
    if state[PHASE] == PLAYING:
        too_full = follow(coefficients, state, made, target, count)
        if used_by(coefficients, state, step_of(coefficients, state), count) > written:
            _stop(state, written, written)
        elif too_full:
            _stop(state, written, 0)
    _play_faded(coefficients, state, out, written)
    fence()
    latest, _ = _newest(state)
    if state[PHASE] != SILENT and latest - first_index > RING - MAX_BLOCK - MAX_TAPS:
        out[:] = 0.0  # the writer came round and may have changed what was being read
        if state[PHASE] == PLAYING:
            _stop(state, written, 0)
        state[PHASE] = SILENT


@kernel
def _stop(state: Block, end: int, floor: int) -> None:
    state[PHASE] = FADING
    state[END], state[FLOOR] = float(end), float(floor)
    state[GLITCHES] += 1.0
    state[LOCKED] = 0.0


@kernel
def _play_faded(coefficients: Block, state: Block, out: Block, written: int) -> None:
    step = step_of(coefficients, state)
    for first in range(0, out.shape[0], CHUNK):
        piece = out[first : min(first + CHUNK, out.shape[0])]
        if state[PHASE] == SILENT:
            piece[:] = 0.0
        else:
            end = written if state[PHASE] == PLAYING else whole(state[END])
            play(coefficients, state, step, end, piece)
            fade(coefficients, state, piece)
