"""The predictive limiter's compiled loop; what it does and why it holds is in limiter.py."""

from typing import cast

import numpy as np

from carrierfloor.dsp import limiter_layout as at
from carrierfloor.dsp.biquad import biquad_kernel
from carrierfloor.dsp.extremes import lowest as lowest_of
from carrierfloor.dsp.gain_window import WINDOW, least_ahead, smooth
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.limiter_layout import HORIZON, LAST, PAST
from carrierfloor.dsp.limiter_mute import can_mute_after
from carrierfloor.dsp.stage import HOP, Block
from carrierfloor.dsp.true_peak import FLAT, REACH, is_quiet, top_near, top_or_sample

LARGEST_SAMPLE = 1e9  # 180 dB over full scale: more than any chain of stages gives
TOLERANCE = 1e-4  # a top this far over the aim is good enough
MOST_PASSES = 12
MOST_RETREATS = 16
FIRST_RETREATS, FIRST_SHARE, LAST_SHARE = 8, 0.9, 0.5

NEW = HORIZON - HOP  # where this hop's new samples begin in the horizon
SETTLED = HOP - REACH  # tops before this one are final once the hop is committed
BEGINNING = cast(int, np.int64(0))  # typed: numba would compile a second version for a literal 0
NOTHING = HORIZON  # index that says that no r was lowered


@kernel
def limiter_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Take exactly ``HOP`` new samples, give the ``HOP`` samples that are ready."""
    _take(coefficients, state, block)
    start = BEGINNING if state[at.DIRTY] != 0.0 else NEW
    lowest = _plan_from(coefficients, state, start)
    passes = 1
    while lowest != NOTHING and passes < MOST_PASSES:
        passes += 1
        lowest = _plan_from(coefficients, state, max(0, lowest - WINDOW + 1))
    retreats = 0
    while lowest < HOP or not can_mute_after(coefficients, state):
        retreats += 1
        if retreats > MOST_RETREATS:  # muting now was proven safe by the hop before
            state[at.R : at.R + HORIZON] = 0.0
            _plan_from(coefficients, state, BEGINNING)
            state[at.MUTES] += 1.0
            lowest = 0
            break
        share = FIRST_SHARE if retreats <= FIRST_RETREATS else LAST_SHARE
        for n in range(HOP + WINDOW):
            state[at.R + n] *= share
        lowest = _plan_from(coefficients, state, BEGINNING)
    state[at.DIRTY] = 1.0 if lowest != NOTHING or retreats else 0.0
    state[at.PASSES] += passes
    state[at.RETREATS] += retreats
    _commit(coefficients, state, block)


@kernel
def _take(coefficients: Block, state: Block, block: Block) -> None:
    """Move everything one hop on and append the new samples.

    A sample that cannot be is muted, with a fade around it: a gap in the waveform would be a
    step, and its spectrum would reach beyond what the model holds for.
    """
    _shift(state[at.X : at.X + HORIZON])
    _shift(state[at.R : at.R + HORIZON])
    _shift(state[at.M : at.M + WINDOW - 1 + HORIZON])
    _shift(state[at.G : at.G + HORIZON])
    _shift(state[at.Y : at.Y + HORIZON])
    for path in range(int(coefficients[at.PATH_COUNT])):
        own = at.own_of(state, path)
        _shift(own[at.Z : at.Z + PAST + HORIZON])
    x, r = state[at.X + NEW : at.X + HORIZON], state[at.R + NEW : at.R + HORIZON]
    for i in range(HOP):
        x[i], r[i] = block[i], 1.0
        if not abs(x[i]) <= LARGEST_SAMPLE:  # not finite, or beyond all reason
            x[i], r[i] = 0.0, 0.0
            state[at.IMPOSSIBLE] += 1.0
            state[at.DIRTY] = 1.0


@kernel
def _shift(values: Block) -> None:
    """Move values one hop to the front, in pieces that never overlap."""
    kept = values.shape[0] - HOP
    for done in range(0, kept, HOP):
        size = min(HOP, kept - done)
        old, new = values[done + HOP : done + HOP + size], values[done : done + size]
        for i in range(size):
            new[i] = old[i]


@kernel
def _plan_from(coefficients: Block, state: Block, start: int) -> int:
    """Work out g and y, run the paths from ``start`` on; return the lowest index of r lowered.

    ``start`` is where y may differ from the last plan, or ``NEW`` right after ``_take``.
    """
    work = state[at.WORK : at.MUTED]
    m = state[at.M + start : at.M + WINDOW - 1 + HORIZON]  # of the last WINDOW - 1 samples, then on
    least_ahead(state[at.R + start : at.R + HORIZON], m[WINDOW - 1 :], work)
    g = state[at.G + start : at.G + HORIZON]
    if lowest_of(m, work) == 1.0:
        g[:] = 1.0
    else:
        smooth(m, g, work)
    x, changed = state[at.X + start : at.X + HORIZON], state[at.Y + start : at.Y + HORIZON]
    for i in range(HORIZON - start):
        changed[i] = g[i] * x[i]
    y = state[at.Y : at.Y + HORIZON]
    state[at.BEFORE : at.BEFORE + HORIZON] = state[at.R : at.R + HORIZON]
    lowest = NOTHING
    for path in range(int(coefficients[at.PATH_COUNT])):
        table = at.table_of(coefficients, path)
        own = at.own_of(state, path)
        _run_path(table[at.HEAD : at.HEAD + int(table[at.PACKED])], own, y, start)
        first = max(start - REACH - 1, -REACH)
        lowest = min(lowest, _lower_required(coefficients, state, table, own, first))
    return lowest


@kernel
def _run_path(packed: Block, own: Block, y: Block, start: int) -> None:
    """Predict z from the last known state before ``start`` on."""
    z = own[at.Z + PAST : at.Z + PAST + HORIZON]
    now = own[at.AT_END : at.AT_END + at.STATES]
    begin = NEW
    if start < HOP:
        now[:] = own[at.AT_START : at.AT_START + at.STATES]
        begin = 0
    elif start < NEW:
        now[:] = own[at.AT_HOP : at.AT_HOP + at.STATES]
        begin = HOP
    z[begin:] = y[begin:]
    if begin == 0:
        biquad_kernel(packed, now, z[:HOP])
        own[at.AT_HOP : at.AT_HOP + at.STATES] = now
        begin = HOP
    biquad_kernel(packed, now, z[begin : 2 * HOP])
    own[at.AT_TWO_HOPS : at.AT_TWO_HOPS + at.STATES] = now
    biquad_kernel(packed, now, z[2 * HOP :])


@kernel
def _lower_required(coefficients: Block, state: Block, table: Block, own: Block, first: int) -> int:
    """Lower r wherever z breaks a ceiling from ``first`` on; return the lowest index lowered."""
    taps = coefficients[at.TAPS : at.PATH_COUNT]
    z = own[at.Z : at.Z + PAST + HORIZON]
    r, g = state[at.R : at.R + HORIZON], state[at.G : at.G + HORIZON]
    before = state[at.BEFORE : at.BEFORE + HORIZON]
    negative, positive = table[at.NEGATIVE_AIM], table[at.POSITIVE_AIM]
    lowest = NOTHING
    if is_quiet(z[PAST + first : PAST + LAST], negative, positive, state[at.WORK : at.MUTED]):
        return lowest
    for n in range(first, LAST):
        here = z[PAST + n]
        if not (here > FLAT * positive or here < -FLAT * negative):
            continue
        sign, aim = (1.0, positive) if here > 0.0 else (-1.0, negative)
        top = top_or_sample(taps, z, PAST + n, sign)
        if top > aim + TOLERANCE:
            ratio = aim / top
            for k in range(max(n - 1, 0), max(n + 2, 1)):
                r[k] = min(r[k], ratio * min(before[k], g[max(n, 0)]))
            lowest = min(lowest, max(n - 1, 0))
    return lowest


@kernel
def _commit(coefficients: Block, state: Block, block: Block) -> None:
    """Give the first hop of y; the paths' states at its end become their start."""
    block[:] = state[at.Y : at.Y + HOP]
    state[at.POSITIVE_PEAK_NOW] = 0.0
    state[at.NEGATIVE_PEAK_NOW] = 0.0
    for path in range(int(coefficients[at.PATH_COUNT])):
        own = at.own_of(state, path)
        if at.table_of(coefficients, path)[at.COUNTED] != 0.0:
            _read_peaks(coefficients, state, own[at.Z : at.Z + PAST + HORIZON])
        own[at.AT_START : at.AT_START + at.STATES] = own[at.AT_HOP : at.AT_HOP + at.STATES]
        own[at.AT_HOP : at.AT_HOP + at.STATES] = own[at.AT_TWO_HOPS : at.AT_TWO_HOPS + at.STATES]
    state[at.POSITIVE_PEAK] = max(state[at.POSITIVE_PEAK], state[at.POSITIVE_PEAK_NOW])
    state[at.NEGATIVE_PEAK] = max(state[at.NEGATIVE_PEAK], state[at.NEGATIVE_PEAK_NOW])
    least, g = 1.0, state[at.G : at.G + HOP]
    for i in range(HOP):
        least = min(least, g[i])
    state[at.HOPS] += 1.0
    state[at.LEAST_GAIN_NOW] = least
    state[at.LEAST_GAIN] = min(state[at.LEAST_GAIN], least)
    state[at.GAIN_DB_SUM] += 20.0 * np.log10(max(least, 1e-10))


@kernel
def _read_peaks(coefficients: Block, state: Block, z: Block) -> None:
    """Note the highest top and the deepest trough that this hop settles."""
    high, low = -REACH, -REACH
    for n in range(-REACH, SETTLED):
        if z[PAST + n] > z[PAST + high]:
            high = n
        if z[PAST + n] < z[PAST + low]:
            low = n
    taps = coefficients[at.TAPS : at.PATH_COUNT]
    positive, negative = z[PAST + high], -z[PAST + low]
    if positive > state[at.POSITIVE_PEAK_NOW] * FLAT:
        state[at.POSITIVE_PEAK_NOW] = max(
            state[at.POSITIVE_PEAK_NOW], top_near(taps, z, PAST + high, 1.0)
        )
    if negative > state[at.NEGATIVE_PEAK_NOW] * FLAT:
        state[at.NEGATIVE_PEAK_NOW] = max(
            state[at.NEGATIVE_PEAK_NOW], top_near(taps, z, PAST + low, -1.0)
        )
