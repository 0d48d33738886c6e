"""The predictive limiter's compiled loop; what it does and why it holds is in limiter.py."""

from typing import cast

import numpy as np

from carrierfloor.dsp.biquad import SECTION_COUNT, SECTION_STATE, biquad_kernel
from carrierfloor.dsp.extremes import highest as highest_of
from carrierfloor.dsp.extremes import lowest as lowest_of
from carrierfloor.dsp.gain_window import WINDOW, least_ahead, smooth
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.limiter_layout import (
    AT_END,
    AT_HOP,
    AT_START,
    AT_TWO_HOPS,
    BEFORE,
    COUNTED,
    DIRTY,
    GAIN_DB_SUM,
    HEAD,
    HOPS,
    HORIZON,
    IMPOSSIBLE,
    LEAST_GAIN,
    LEAST_GAIN_NOW,
    MOMENTS,
    MUTED,
    MUTED_M,
    MUTED_Y,
    MUTES,
    NEGATIVE,
    NEGATIVE_PEAK,
    NEGATIVE_PEAK_NOW,
    PACKED,
    PASSES,
    PAST,
    PATH_COUNT,
    PATH_OFFSETS,
    PATHS,
    PER_PATH,
    POSITIVE,
    POSITIVE_PEAK,
    POSITIVE_PEAK_NOW,
    RETREATS,
    RING,
    STATES,
    TAPS,
    TRIAL,
    WORK,
    G,
    M,
    R,
    X,
    Y,
    Z,
)
from carrierfloor.dsp.stage import HOP, Block
from carrierfloor.dsp.true_peak import FLAT, REACH, top_near

LARGEST_SAMPLE = 1e9  # 180 dB over full scale: more than any chain of stages gives
MARGIN = 2e-4  # the limiter aims this far inside a ceiling ...
TOLERANCE = 1e-4  # ... and is content this far over its aim
MUTE_TOLERANCE = 2e-4  # a mute may go this far over the aim: never over the ceiling
MOST_PASSES = 12
MOST_RETREATS = 16
FIRST_RETREATS, FIRST_SHARE, LAST_SHARE = 8, 0.9, 0.5

NEW = HORIZON - HOP  # where this hop's new samples begin in the horizon
LAST = HORIZON - REACH - 1  # a top beyond cannot be interpolated yet
SETTLED = HOP - REACH  # tops before this one are final once the hop is committed
BEGINNING = cast(int, np.int64(0))  # typed: numba would compile a second version for a literal 0
NOTHING = HORIZON  # index that says that no r was lowered


@kernel
def limiter_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Take exactly ``HOP`` new samples, give the ``HOP`` samples that are ready."""
    _take(coefficients, state, block)
    start = BEGINNING if state[DIRTY] != 0.0 else NEW
    lowest = _plan_from(coefficients, state, start)
    passes = 1
    while lowest != NOTHING and passes < MOST_PASSES:
        passes += 1
        lowest = _plan_from(coefficients, state, max(0, lowest - WINDOW + 1))
    retreats = 0
    while lowest < HOP or not _can_mute_after(coefficients, state):
        retreats += 1
        if retreats > MOST_RETREATS:  # muting now was proven safe by the hop before
            state[R : R + HORIZON] = 0.0
            _plan_from(coefficients, state, BEGINNING)
            state[MUTES] += 1.0
            lowest = 0
            break
        share = FIRST_SHARE if retreats <= FIRST_RETREATS else LAST_SHARE
        for n in range(HOP + WINDOW):
            state[R + n] *= share
        lowest = _plan_from(coefficients, state, BEGINNING)
    state[DIRTY] = 1.0 if lowest != NOTHING or retreats else 0.0
    state[PASSES] += passes
    state[RETREATS] += retreats
    _commit(coefficients, state, block)


@kernel
def _table(coefficients: Block, path: int) -> Block:
    return coefficients[int(coefficients[PATH_OFFSETS + path]) :]


@kernel
def _take(coefficients: Block, state: Block, block: Block) -> None:
    """Move everything one hop on and append the new samples.

    A sample that cannot be is muted, with a fade around it: a gap in the waveform would be a
    step, and its spectrum would reach beyond what the model holds for.
    """
    _shift(state[X : X + HORIZON])
    _shift(state[R : R + HORIZON])
    _shift(state[M : M + WINDOW - 1 + HORIZON])
    _shift(state[G : G + HORIZON])
    _shift(state[Y : Y + HORIZON])
    for path in range(int(coefficients[PATH_COUNT])):
        own = state[PATHS + path * PER_PATH : PATHS + (path + 1) * PER_PATH]
        _shift(own[Z : Z + PAST + HORIZON])
    x, r = state[X + NEW : X + HORIZON], state[R + NEW : R + HORIZON]
    for i in range(HOP):
        x[i], r[i] = block[i], 1.0
        if not abs(x[i]) <= LARGEST_SAMPLE:  # not finite, or beyond all reason
            x[i], r[i] = 0.0, 0.0
            state[IMPOSSIBLE] += 1.0
            state[DIRTY] = 1.0


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
    work = state[WORK:MUTED]
    m = state[M + start : M + WINDOW - 1 + HORIZON]  # of the last WINDOW - 1 samples, then on
    least_ahead(state[R + start : R + HORIZON], m[WINDOW - 1 :], work)
    g = state[G + start : G + HORIZON]
    if lowest_of(m, work) == 1.0:
        g[:] = 1.0
    else:
        smooth(m, g, work)
    x, changed = state[X + start : X + HORIZON], state[Y + start : Y + HORIZON]
    for i in range(HORIZON - start):
        changed[i] = g[i] * x[i]
    y = state[Y : Y + HORIZON]
    state[BEFORE : BEFORE + HORIZON] = state[R : R + HORIZON]
    lowest = NOTHING
    for path in range(int(coefficients[PATH_COUNT])):
        table = _table(coefficients, path)
        own = state[PATHS + path * PER_PATH : PATHS + (path + 1) * PER_PATH]
        _run_path(table[HEAD : HEAD + int(table[PACKED])], own, y, start)
        first = max(start - REACH - 1, -REACH)
        lowest = min(lowest, _lower_required(coefficients, state, table, own, first))
    return lowest


@kernel
def _run_path(packed: Block, own: Block, y: Block, start: int) -> None:
    """Predict z from the last known state before ``start`` on."""
    z = own[Z + PAST : Z + PAST + HORIZON]
    now = own[AT_END : AT_END + STATES]
    begin = NEW
    if start < HOP:
        now[:] = own[AT_START : AT_START + STATES]
        begin = 0
    elif start < NEW:
        now[:] = own[AT_HOP : AT_HOP + STATES]
        begin = HOP
    z[begin:] = y[begin:]
    if begin == 0:
        biquad_kernel(packed, now, z[:HOP])
        own[AT_HOP : AT_HOP + STATES] = now
        begin = HOP
    biquad_kernel(packed, now, z[begin : 2 * HOP])
    own[AT_TWO_HOPS : AT_TWO_HOPS + STATES] = now
    biquad_kernel(packed, now, z[2 * HOP :])


@kernel
def _lower_required(coefficients: Block, state: Block, table: Block, own: Block, first: int) -> int:
    """Lower r wherever z breaks a ceiling from ``first`` on; return the lowest index lowered."""
    taps = coefficients[TAPS:PATH_COUNT]
    z = own[Z : Z + PAST + HORIZON]
    r, g = state[R : R + HORIZON], state[G : G + HORIZON]
    before = state[BEFORE : BEFORE + HORIZON]
    negative, positive = table[NEGATIVE] - MARGIN, table[POSITIVE] - MARGIN
    lowest = NOTHING
    if _is_quiet(z[PAST + first : PAST + LAST], negative, positive, state[WORK:MUTED]):
        return lowest
    for n in range(first, LAST):
        here = z[PAST + n]
        if not (here > FLAT * positive or here < -FLAT * negative):
            continue
        sign, aim = (1.0, positive) if here > 0.0 else (-1.0, negative)
        top = _top_or_sample(taps, z, PAST + n, sign)
        if top > aim + TOLERANCE:
            ratio = aim / top
            for k in range(max(n - 1, 0), max(n + 2, 1)):
                r[k] = min(r[k], ratio * min(before[k], g[max(n, 0)]))
            lowest = min(lowest, max(n - 1, 0))
    return lowest


@kernel
def _is_quiet(z: Block, negative: float, positive: float, work: Block) -> bool:
    """Tell whether nothing comes near a ceiling, between samples either."""
    near_positive = highest_of(z, work) > FLAT * positive
    return not (near_positive or lowest_of(z, work) < -FLAT * negative)


@kernel
def _top_or_sample(taps: Block, z: Block, at: int, sign: float) -> float:
    """Return ``sign * z`` at a sample, or the top near it if its neighbours are lower."""
    here = sign * float(z[at])
    if sign * z[at - 1] > here or sign * z[at + 1] > here:
        return here
    return top_near(taps, z, at, sign)


@kernel
def _can_mute_after(coefficients: Block, state: Block) -> bool:
    """Tell whether muting from the end of the hop keeps every path within its ceilings."""
    m = state[MUTED_M : MUTED_M + WINDOW - 1 + HORIZON - HOP]
    m[: WINDOW - 1] = state[M + HOP : M + HOP + WINDOW - 1]
    m[WINDOW - 1 :] = 0.0
    y, x = state[MUTED_Y : MUTED_Y + HORIZON - HOP], state[X + HOP : X + HORIZON]
    smooth(m, y, state[WORK:MUTED])
    for i in range(HORIZON - HOP):
        y[i] *= x[i]
    for path in range(int(coefficients[PATH_COUNT])):
        table = _table(coefficients, path)
        own = state[PATHS + path * PER_PATH : PATHS + (path + 1) * PER_PATH]
        has_memory = table[HEAD + SECTION_COUNT] > 0.0
        if has_memory and not _mutes_safely(coefficients, state, table, own):
            return False
    return True


@kernel
def _mutes_safely(coefficients: Block, state: Block, table: Block, own: Block) -> bool:
    """Run one path through the mute, then look at its future."""
    packed = table[HEAD : HEAD + int(table[PACKED])]
    negative = table[NEGATIVE] - MARGIN + MUTE_TOLERANCE
    positive = table[POSITIVE] - MARGIN + MUTE_TOLERANCE
    # From the past of the hop's end on: index PAST is the first muted sample.
    z = state[MUTED : MUTED + PAST + HORIZON - HOP]
    z[:PAST] = own[Z + HOP : Z + HOP + PAST]
    z[PAST:] = state[MUTED_Y : MUTED_Y + HORIZON - HOP]
    trial = state[TRIAL : TRIAL + STATES]
    trial[:] = own[AT_HOP : AT_HOP + STATES]
    biquad_kernel(packed, trial, z[PAST:])
    taps = coefficients[TAPS:PATH_COUNT]
    first, last = -REACH, LAST - HOP
    if _is_quiet(z[PAST + first : PAST + last], negative, positive, state[WORK:MUTED]):
        last = first
    for n in range(first, last):
        here = z[PAST + n]
        if here > FLAT * positive or here < -FLAT * negative:
            sign, ceiling = (1.0, positive) if here > 0.0 else (-1.0, negative)
            if _top_or_sample(taps, z, PAST + n, sign) > ceiling:
                return False
    moments = int(table[MOMENTS])
    ring, rows = state[RING : RING + moments], table[HEAD + packed.shape[0] :]
    ring[:] = 0.0
    for s in range(SECTION_STATE * int(packed[SECTION_COUNT])):
        row, weight = rows[s * moments : (s + 1) * moments], trial[s]
        for i in range(moments):
            ring[i] += weight * row[i]
    work = state[WORK:MUTED]
    return bool(highest_of(ring, work) <= positive and -lowest_of(ring, work) <= negative)


@kernel
def _commit(coefficients: Block, state: Block, block: Block) -> None:
    """Give the first hop of y; the paths' states at its end become their start."""
    block[:] = state[Y : Y + HOP]
    state[POSITIVE_PEAK_NOW] = 0.0
    state[NEGATIVE_PEAK_NOW] = 0.0
    for path in range(int(coefficients[PATH_COUNT])):
        own = state[PATHS + path * PER_PATH : PATHS + (path + 1) * PER_PATH]
        if _table(coefficients, path)[COUNTED] != 0.0:
            _read_peaks(coefficients, state, own[Z : Z + PAST + HORIZON])
        own[AT_START : AT_START + STATES] = own[AT_HOP : AT_HOP + STATES]
        own[AT_HOP : AT_HOP + STATES] = own[AT_TWO_HOPS : AT_TWO_HOPS + STATES]
    state[POSITIVE_PEAK] = max(state[POSITIVE_PEAK], state[POSITIVE_PEAK_NOW])
    state[NEGATIVE_PEAK] = max(state[NEGATIVE_PEAK], state[NEGATIVE_PEAK_NOW])
    least, g = 1.0, state[G : G + HOP]
    for i in range(HOP):
        least = min(least, g[i])
    state[HOPS] += 1.0
    state[LEAST_GAIN_NOW] = least
    state[LEAST_GAIN] = min(state[LEAST_GAIN], least)
    state[GAIN_DB_SUM] += 20.0 * np.log10(max(least, 1e-10))


@kernel
def _read_peaks(coefficients: Block, state: Block, z: Block) -> None:
    """Note the highest top and the deepest trough that this hop settles."""
    high, low = -REACH, -REACH
    for n in range(-REACH, SETTLED):
        if z[PAST + n] > z[PAST + high]:
            high = n
        if z[PAST + n] < z[PAST + low]:
            low = n
    taps = coefficients[TAPS:PATH_COUNT]
    positive, negative = z[PAST + high], -z[PAST + low]
    if positive > state[POSITIVE_PEAK_NOW] * FLAT:
        state[POSITIVE_PEAK_NOW] = max(
            state[POSITIVE_PEAK_NOW], top_near(taps, z, PAST + high, 1.0)
        )
    if negative > state[NEGATIVE_PEAK_NOW] * FLAT:
        state[NEGATIVE_PEAK_NOW] = max(
            state[NEGATIVE_PEAK_NOW], top_near(taps, z, PAST + low, -1.0)
        )
