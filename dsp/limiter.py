"""The predictive limiter: keeps the envelope at the antenna within its ceilings.

Input x, output y = g x, predicted modulation z = T{y} with T the path.  Per hop of B samples,
with a smoothing window of W samples, it looks at the next B + W samples and finds a smooth gain
g <= 1 such that every path stays within its ceilings, also between samples.

*The gain* comes from a required gain r(n): m(n) is the least r over the next W samples, g is m
smoothed over the last W samples by a window that sums to 1, so g(n) never exceeds r(n).

*The search* starts with r = 1, runs the paths from their committed state, lowers r by the excess
wherever a ceiling is broken, and repeats.

*The promise.*  A path has memory, so a gain that is fine now may leave the path in a state from
which a ceiling must break later, whatever comes.  Therefore a hop is only committed if from its
end the limiter could still mute (m = 0 from there on, g fades out over W samples) and the path
would then ring out within its ceilings for ever.  Muting from the end of the last hop is thus
always possible; since z is linear in m, so is every mixture of muting and a plan that is too
loud, and the search ends at worst in a mute.

The look-ahead minimum followed by a smoothing window is the classic construction of look-ahead
limiters (common practice, no source).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.cascade import pack_sections, run_cascade
from carrierfloor.dsp.entry import LARGEST_SAMPLE
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.ring_out import ring_out_rows
from carrierfloor.dsp.stage import HOP, Block, CompiledStage
from carrierfloor.dsp.true_peak import FLAT, REACH, interpolator_taps, top_of_interval

WINDOW = 144  # samples, 3 ms
BOXES = (48, 49, 49)  # running means whose cascade is the window: 48 + 49 + 49 - 2 = 144
HORIZON = HOP + WINDOW + REACH  # what the limiter sees of its input
LATENCY = HORIZON - HOP
TAIL = 48  # samples after a mute in which fast resonances die; the ring-out rows take over

MARGIN = 2e-4  # the limiter aims this far inside a ceiling ...
TOLERANCE = 1e-4  # ... and is content this far over its aim
MOST_PASSES = 12
MOST_RETREATS = 20

MAX_SECTIONS = 24
_STATES = 2 * MAX_SECTIONS

# Coefficients: the window's boxes are compiled in; here the interpolator, then the paths.
_TAPS = 0
_PATH_COUNT = _TAPS + len(interpolator_taps())
_PATH_OFFSETS = _PATH_COUNT + 1  # where each path's table starts
MAX_PATHS = 12
_TABLES = _PATH_OFFSETS + MAX_PATHS + 1
# A path's table: ceilings, sizes, sections, ring-out rows.
_NEGATIVE, _POSITIVE, _PACKED, _MOMENTS, _COUNTED, _HEAD = range(6)

# State.
METER_PASSES, METER_HOPS, METER_RETREATS, METER_NONFINITE = 0, 1, 2, 3
METER_NEGATIVE, METER_POSITIVE = 4, 5  # deepest and highest predicted modulation
METER_NEGATIVE_NOW, METER_POSITIVE_NOW = 6, 7
METER_LEAST_GAIN, METER_GAIN_DB_SUM, METER_GAIN_COUNT, METER_GAIN_NOW = 8, 9, 10, 11
METER_MUTES = 12
_X = 16  # HORIZON samples of input
_R = _X + HORIZON  # required gain
_M = _R + HORIZON  # WINDOW - 1 past values, then HORIZON
_G = _M + WINDOW + HORIZON  # gain, HORIZON
_WORK = _G + HORIZON  # scratch for minima and running means
_Y = _WORK + HORIZON + 2 * WINDOW
_ZS = 2 * REACH + 1  # past values of z that a peak still to be settled may need
_Z = _Y + HORIZON  # _ZS past values, then HORIZON
_TRIAL = _Z + _ZS + HORIZON  # state of a path while it is tried
_AT_HOP = _TRIAL + _STATES  # the same at the end of the hop
_RING = _AT_HOP + MAX_PATHS * _STATES  # the future of a path
_MAX_MOMENTS = 1024
_PATHS = _RING + _MAX_MOMENTS  # per path: committed state, past of z
_PER_PATH = _STATES + _ZS
_LAST = _ZS + HORIZON - REACH - 1  # intervals of z beyond cannot be interpolated yet
_SIZE = _PATHS + MAX_PATHS * _PER_PATH


@dataclass(frozen=True, kw_only=True)
class LimitedPath:
    """One path as the limiter holds it."""

    sections: Block  # shape (n, 5): b0, b1, b2, a1, a2
    negative_ceiling: float  # largest -z
    positive_ceiling: float  # largest z
    counted: bool = True  # whether it counts in the antenna's meters


def build_limiter(paths: Sequence[LimitedPath]) -> CompiledStage:
    """Make the limiter for a set of paths, all of which it holds at once."""
    coefficients, state = _coefficients(paths), np.zeros(_SIZE)
    state[_R : _R + HORIZON] = 1.0
    state[_M : _M + WINDOW + HORIZON] = 1.0
    state[METER_LEAST_GAIN] = 1.0
    state[METER_GAIN_NOW] = 1.0
    return CompiledStage("limiter", limiter_kernel, coefficients, state, LATENCY, _meters)


def _coefficients(paths: Sequence[LimitedPath]) -> Block:
    assert 0 < len(paths) <= MAX_PATHS
    offsets = np.zeros(MAX_PATHS + 1)
    tables, end = [], _TABLES
    for n, path in enumerate(paths):
        packed = pack_sections(path.sections)
        assert len(packed) <= 5 * MAX_SECTIONS
        rows = ring_out_rows(packed) if len(packed) else np.zeros((0, 0))
        rows = rows[:, :_MAX_MOMENTS]
        head = np.zeros(_HEAD)
        head[_NEGATIVE], head[_POSITIVE] = path.negative_ceiling, path.positive_ceiling
        head[_PACKED], head[_MOMENTS] = len(packed), rows.shape[1]
        head[_COUNTED] = path.counted
        table = np.concatenate([head, packed, rows.ravel()])
        offsets[n] = end
        end += len(table)
        tables.append(table)
    offsets[len(paths)] = end
    return np.concatenate([interpolator_taps(), [len(paths)], offsets, *tables])


def _meters(state: Block) -> Mapping[str, float]:
    hops = max(state[METER_HOPS], 1.0)
    return {
        "antenna_negative_peak_pct": 100.0 * state[METER_NEGATIVE],
        "antenna_positive_peak_pct": 100.0 * state[METER_POSITIVE],
        "antenna_negative_peak_pct_now": 100.0 * state[METER_NEGATIVE_NOW],
        "antenna_positive_peak_pct_now": 100.0 * state[METER_POSITIVE_NOW],
        "gain_reduction_max_db": -20.0 * np.log10(max(state[METER_LEAST_GAIN], 1e-10)),
        "gain_reduction_mean_db": -state[METER_GAIN_DB_SUM] / max(state[METER_GAIN_COUNT], 1.0),
        "gain_reduction_db_now": -20.0 * np.log10(max(state[METER_GAIN_NOW], 1e-10)),
        "passes_mean": state[METER_PASSES] / hops,
        "retreats": state[METER_RETREATS],
        "mutes": state[METER_MUTES],
        "nonfinite_samples": state[METER_NONFINITE],
    }


@kernel
def limiter_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Take exactly ``HOP`` new samples, give the ``HOP`` samples that are ready."""
    _take(state, block)
    passes = 0
    for _ in range(MOST_PASSES):
        passes += 1
        _gain_from_required(state)
        if not _search(coefficients, state):
            break
    retreats = 0
    while not _can_mute_after(coefficients, state):
        retreats += 1
        if retreats > MOST_RETREATS:  # muting now was proven safe by the hop before
            state[_R : _R + HORIZON] = 0.0
            _gain_from_required(state)
            _search(coefficients, state)
            state[_R + HOP : _R + HORIZON] = 1.0
            state[METER_MUTES] += 1.0
            break
        share = 0.9 if retreats < 10 else 0.5
        for n in range(HOP + WINDOW):
            state[_R + n] *= share
        _gain_from_required(state)
        _search(coefficients, state)
    state[METER_PASSES] += passes
    state[METER_RETREATS] += retreats
    state[METER_HOPS] += 1.0
    _commit(coefficients, state, block)


@kernel
def _take(state: Block, block: Block) -> None:
    """Move everything one hop on and append the new samples, cleaned."""
    x, r, m = state[_X : _X + HORIZON], state[_R : _R + HORIZON], state[_M:_G]
    for i in range(HORIZON - HOP):
        x[i] = x[i + HOP]
        r[i] = r[i + HOP]
    for i in range(WINDOW):
        m[i] = m[i + HOP]
    for i in range(HOP):
        value = block[i]
        if not np.isfinite(value):
            value = 0.0
            state[METER_NONFINITE] += 1.0
        x[HORIZON - HOP + i] = min(max(value, -LARGEST_SAMPLE), LARGEST_SAMPLE)
        r[HORIZON - HOP + i] = 1.0


@kernel
def _gain_from_required(state: Block) -> None:
    """Work out m, g and y over the horizon from r."""
    r, m, g = state[_R : _R + HORIZON], state[_M:_G], state[_G:_WORK]
    _least_ahead(state, r, m[WINDOW - 1 :])
    _smooth(state, m[: WINDOW - 1 + HORIZON], g)
    x, y = state[_X : _X + HORIZON], state[_Y : _Y + HORIZON]
    for i in range(HORIZON):
        y[i] = g[i] * x[i]


@kernel
def _least_ahead(state: Block, r: Block, m: Block) -> None:
    """m(n) = least of r(n) to r(n + WINDOW - 1), by doubling; r is 1 beyond the horizon."""
    size = HORIZON + WINDOW
    work = state[_WORK : _WORK + size]
    work[:HORIZON] = r
    work[HORIZON:] = 1.0
    reach = 1
    while 2 * reach <= WINDOW:
        ahead = work[reach:]
        for i in range(size - reach):
            work[i] = min(work[i], ahead[i])
        reach *= 2
    rest = work[WINDOW - reach :]
    for i in range(HORIZON):
        m[i] = min(work[i], rest[i])


@kernel
def _smooth(state: Block, m: Block, g: Block) -> None:
    """Smooth m by a cascade of running means; g[i] uses m[i] to m[i + WINDOW - 1]."""
    work = state[_WORK : _WORK + WINDOW - 1 + HORIZON]
    work[:] = m
    size = WINDOW - 1 + HORIZON
    for box in BOXES:
        total = 0.0
        for i in range(box - 1):
            total += work[i]
        scale = 1.0 / box
        newest = work[box - 1 :]
        for i in range(size - box + 1):
            total += newest[i]
            oldest = work[i]
            work[i] = total * scale
            total -= oldest
        size -= box - 1
    g[:] = work[:HORIZON]


@kernel
def _search(coefficients: Block, state: Block) -> bool:
    """Run every path over the horizon; lower r where a ceiling breaks; tell whether one did."""
    broken = False
    state[METER_NEGATIVE_NOW] = 0.0
    state[METER_POSITIVE_NOW] = 0.0
    r = state[_R : _R + HORIZON]
    for p in range(int(coefficients[_PATH_COUNT])):
        table = coefficients[int(coefficients[_PATH_OFFSETS + p]) :]
        packed = table[_HEAD : _HEAD + int(table[_PACKED])]
        own = state[_PATHS + p * _PER_PATH : _PATHS + (p + 1) * _PER_PATH]
        z = state[_Z : _Z + _ZS + HORIZON]
        z[:_ZS] = own[_STATES:]
        z[_ZS:] = state[_Y : _Y + HORIZON]
        trial = state[_TRIAL : _TRIAL + _STATES]
        trial[:] = own[:_STATES]
        run_cascade(packed, trial, z[_ZS : _ZS + HOP])
        state[_AT_HOP + p * _STATES : _AT_HOP + (p + 1) * _STATES] = trial
        run_cascade(packed, trial, z[_ZS + HOP :])
        taps = coefficients[_TAPS:_PATH_COUNT]
        negative, positive = table[_NEGATIVE] - MARGIN, table[_POSITIVE] - MARGIN
        counted = table[_COUNTED] != 0.0
        for at in range(_ZS - REACH, _LAST):
            high, low = max(z[at], z[at + 1]), min(z[at], z[at + 1])
            if high > FLAT * positive:
                high = top_of_interval(taps, z, at, 1.0)
            if -low > FLAT * negative:
                low = -top_of_interval(taps, z, at, -1.0)
            if counted and at < _ZS + HOP - REACH:  # settled with this hop
                state[METER_POSITIVE_NOW] = max(state[METER_POSITIVE_NOW], high)
                state[METER_NEGATIVE_NOW] = max(state[METER_NEGATIVE_NOW], -low)
            ratio = 1.0
            if high > positive + TOLERANCE:
                ratio = positive / high
            if -low > negative + TOLERANCE:
                ratio = min(ratio, negative / -low)
            if ratio < 1.0:
                broken = True
                n = at - _ZS
                first, second = max(n, 0), max(n + 1, 0)
                r[first] = min(r[first], ratio * state[_G + first])
                r[second] = min(r[second], ratio * state[_G + second])
    return broken


@kernel
def _can_mute_after(coefficients: Block, state: Block) -> bool:
    """Tell whether muting from the end of the hop keeps every path within its ceilings."""
    m, g = state[_M:_G], state[_G:_WORK]
    x, y = state[_X : _X + HORIZON], state[_Y : _Y + HORIZON]
    for i in range(HOP, HORIZON):
        m[WINDOW - 1 + i] = 0.0
    _smooth(state, m[: WINDOW - 1 + HORIZON], g)
    for i in range(HORIZON):
        y[i] = g[i] * x[i]
    safe = True
    for p in range(int(coefficients[_PATH_COUNT])):
        table = coefficients[int(coefficients[_PATH_OFFSETS + p]) :]
        safe = safe and _mutes_safely(coefficients, state, table, p)
    return safe


@kernel
def _mutes_safely(coefficients: Block, state: Block, table: Block, p: int) -> bool:
    packed = table[_HEAD : _HEAD + int(table[_PACKED])]
    own = state[_PATHS + p * _PER_PATH : _PATHS + (p + 1) * _PER_PATH]
    z = state[_Z : _Z + _ZS + HORIZON]
    trial = state[_TRIAL : _TRIAL + _STATES]
    trial[:] = own[:_STATES]
    z[:_ZS] = own[_STATES:]
    z[_ZS:] = state[_Y : _Y + HORIZON]
    run_cascade(packed, trial, z[_ZS:])
    negative, positive = table[_NEGATIVE] - MARGIN, table[_POSITIVE] - MARGIN
    taps = coefficients[_TAPS:_PATH_COUNT]
    for at in range(_ZS - REACH, _LAST):
        high, low = max(z[at], z[at + 1]), min(z[at], z[at + 1])
        if high > FLAT * positive:
            high = top_of_interval(taps, z, at, 1.0)
        if -low > FLAT * negative:
            low = -top_of_interval(taps, z, at, -1.0)
        if high > positive + 2.0 * TOLERANCE or -low > negative + 2.0 * TOLERANCE:
            return False
    moments = int(table[_MOMENTS])
    ring = state[_RING : _RING + moments]
    ring[:] = 0.0
    rows = table[_HEAD + packed.shape[0] :]
    for s in range(2 * packed.shape[0] // 5):
        row = rows[s * moments : (s + 1) * moments]
        weight = trial[s]
        for i in range(moments):
            ring[i] += weight * row[i]
    highest, lowest = 0.0, 0.0
    for i in range(moments):
        highest = max(highest, ring[i])
        lowest = min(lowest, ring[i])
    return highest <= positive + 2.0 * TOLERANCE and -lowest <= negative + 2.0 * TOLERANCE


@kernel
def _commit(coefficients: Block, state: Block, block: Block) -> None:
    """Give the first hop of y and keep the state of every path at its end."""
    g, y = state[_G:_WORK], state[_Y : _Y + HORIZON]
    block[:] = y[:HOP]
    for p in range(int(coefficients[_PATH_COUNT])):
        table = coefficients[int(coefficients[_PATH_OFFSETS + p]) :]
        packed = table[_HEAD : _HEAD + int(table[_PACKED])]
        own = state[_PATHS + p * _PER_PATH : _PATHS + (p + 1) * _PER_PATH]
        z = state[_Z : _Z + _ZS + HOP]
        z[:_ZS] = own[_STATES:]
        z[_ZS:] = y[:HOP]
        run_cascade(packed, own[:_STATES], z[_ZS:])
        own[_STATES:] = z[HOP:]
    state[METER_NEGATIVE] = max(state[METER_NEGATIVE], state[METER_NEGATIVE_NOW])
    state[METER_POSITIVE] = max(state[METER_POSITIVE], state[METER_POSITIVE_NOW])
    least = 1.0
    for i in range(HOP):
        least = min(least, g[i])
    state[METER_GAIN_NOW] = least
    state[METER_LEAST_GAIN] = min(state[METER_LEAST_GAIN], least)
    state[METER_GAIN_DB_SUM] += 20.0 * np.log10(max(least, 1e-10))
    state[METER_GAIN_COUNT] += 1.0
