"""The limiter's proof that it could still mute; why it needs one is in limiter.py."""

from carrierfloor.dsp import limiter_layout as at
from carrierfloor.dsp.biquad import SECTION_COUNT, SECTION_STATE, biquad_kernel
from carrierfloor.dsp.extremes import highest as highest_of
from carrierfloor.dsp.extremes import lowest as lowest_of
from carrierfloor.dsp.gain_window import WINDOW, smooth
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.limiter_layout import HORIZON, LAST, PAST
from carrierfloor.dsp.stage import HOP, Block
from carrierfloor.dsp.true_peak import FLAT, REACH, is_quiet, top_or_sample

TOLERANCE = 2e-4  # a mute may go this far over the aim, which is at most the ceiling itself


@kernel
def can_mute_after(coefficients: Block, state: Block) -> bool:
    """Tell whether muting from the end of the hop keeps every path within its ceilings."""
    m = state[at.MUTED_M : at.MUTED_M + WINDOW - 1 + HORIZON - HOP]
    m[: WINDOW - 1] = state[at.M + HOP : at.M + HOP + WINDOW - 1]
    m[WINDOW - 1 :] = 0.0
    y, x = state[at.MUTED_Y : at.MUTED_Y + HORIZON - HOP], state[at.X + HOP : at.X + HORIZON]
    smooth(m, y, state[at.WORK : at.MUTED])
    for i in range(HORIZON - HOP):
        y[i] *= x[i]
    for path in range(int(coefficients[at.PATH_COUNT])):
        table = at.table_of(coefficients, path)
        own = at.own_of(state, path)
        has_memory = table[at.HEAD + SECTION_COUNT] > 0.0
        if has_memory and not _mutes_safely(coefficients, state, table, own):
            return False
    return True


@kernel
def _mutes_safely(coefficients: Block, state: Block, table: Block, own: Block) -> bool:
    """Run one path through the mute, then look at its future."""
    packed = table[at.HEAD : at.HEAD + int(table[at.PACKED])]
    negative = table[at.NEGATIVE_AIM] + TOLERANCE
    positive = table[at.POSITIVE_AIM] + TOLERANCE
    # From the past of the hop's end on: index PAST is the first muted sample.
    z = state[at.MUTED : at.MUTED + PAST + HORIZON - HOP]
    z[:PAST] = own[at.Z + HOP : at.Z + HOP + PAST]
    z[PAST:] = state[at.MUTED_Y : at.MUTED_Y + HORIZON - HOP]
    trial = state[at.TRIAL : at.TRIAL + at.STATES]
    trial[:] = own[at.AT_HOP : at.AT_HOP + at.STATES]
    biquad_kernel(packed, trial, z[PAST:])
    taps = coefficients[at.TAPS : at.PATH_COUNT]
    first, last = -REACH, LAST - HOP
    if is_quiet(z[PAST + first : PAST + last], negative, positive, state[at.WORK : at.MUTED]):
        last = first
    for n in range(first, last):
        here = z[PAST + n]
        if here > FLAT * positive or here < -FLAT * negative:
            sign, ceiling = (1.0, positive) if here > 0.0 else (-1.0, negative)
            if top_or_sample(taps, z, PAST + n, sign) > ceiling:
                return False
    return _rings_out_safely(state, table, packed, negative, positive)


@kernel
def _rings_out_safely(
    state: Block, table: Block, packed: Block, negative: float, positive: float
) -> bool:
    """Look at the future of a path whose input is silent from now on; its state is in TRIAL."""
    moments = int(table[at.MOMENTS])
    ring, rows = state[at.RING : at.RING + moments], table[at.HEAD + packed.shape[0] :]
    ring[:] = 0.0
    for s in range(SECTION_STATE * int(packed[SECTION_COUNT])):
        row, weight = rows[s * moments : (s + 1) * moments], state[at.TRIAL + s]
        for i in range(moments):
            ring[i] += weight * row[i]
    work = state[at.WORK : at.MUTED]
    return bool(highest_of(ring, work) <= positive and -lowest_of(ring, work) <= negative)
