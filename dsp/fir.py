"""Linear-phase FIR filters: their design, and a loop that runs one over a stream.

Window and length follow J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window
function", Proc. IEEE Int. Symp. Circuits and Systems, 1974, pp. 20-23.  Long low-passes are split
in two short filters after Y. Neuvo, C.-Y. Dong and S. K. Mitra, "Interpolated finite impulse
response filters", IEEE Trans. ASSP 32 (1984), pp. 563-570: one with its taps ``stride`` samples
apart, and a smoother one that removes the copies of the pass-band which the gaps make.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.past import move_past
from carrierfloor.dsp.stage import HOP, SAMPLE_RATE_HZ, Block

# Coefficients of one filter: the stride, then the taps, last tap first, in whole passes.
STRIDE = 0
FIRST_TAP = 1
TAPS_A_PASS = 8

MARGIN_DB = 1.5  # Kaiser's length formula is short of its attenuation by up to this
# A pass-band may fall by 0.1 dB at its edge, which a Kaiser low-pass of 70 dB and more reaches at
# this part of the way from its middle to where the pass-band ripple begins (measured).
DROOP_AT = 0.74


@dataclass(frozen=True)
class Filter:
    """A symmetric filter whose taps lie ``stride`` samples apart."""

    taps: Block
    stride: int = 1

    @property
    def length_samples(self) -> int:
        """First to last tap, in samples."""
        return (len(self.taps) - 1) * self.stride


def kaiser_low_pass(taps: int, corner_hz: float, stop_db: float, rate_hz: float) -> Block:
    """Return a low-pass of unity gain at DC, half that at the corner, shape (taps,)."""
    beta = 0.1102 * (stop_db - 8.7)  # Kaiser 1974, for more than 50 dB
    n = np.arange(taps) - (taps - 1) / 2
    ideal = np.sinc(2.0 * corner_hz / rate_hz * n)
    windowed = ideal * np.kaiser(taps, beta)
    return np.asarray(windowed / windowed.sum())


def kaiser_taps(width_hz: float, stop_db: float, rate_hz: float) -> int:
    """Return how many taps fall by ``stop_db`` within ``width_hz``, Kaiser 1974."""
    return math.ceil((stop_db - 7.95) / (2.285 * 2.0 * math.pi * width_hz / rate_hz)) + 1


def low_pass_filters(pass_hz: float, stop_hz: float, stop_db: float) -> tuple[Filter, ...]:
    """Design a linear-phase low-pass at 48 kHz as one or two filters in a row.

    Parameters
    ----------
    pass_hz, stop_hz : float
        The edges: at most 0.1 dB down up to the first, ``stop_db`` down from the second on.
    stop_db : float
        As a positive number, above 50.

    Returns
    -------
    tuple of Filter
        Of all splits the one with the fewest taps.  Their delay together is a whole number of
        samples: half the sum of their lengths.
    """
    splits = [_split(stride, pass_hz, stop_hz, stop_db) for stride in range(1, 8)]
    possible = [filters for filters in splits if filters]
    return min(possible, key=lambda filters: sum(_padded(len(f.taps)) for f in filters))


def _split(stride: int, pass_hz: float, stop_hz: float, stop_db: float) -> tuple[Filter, ...]:
    design_db = stop_db + MARGIN_DB
    width_hz = 2.0 * (stop_hz - pass_hz) / (1.0 + DROOP_AT)
    corner_hz = stop_hz - width_hz / 2.0
    rate_hz = SAMPLE_RATE_HZ / stride
    copies_hz = rate_hz - stop_hz  # where the lowest copy of the pass-band begins
    long_taps = kaiser_taps(width_hz, design_db, rate_hz)
    if stride == 1:
        long_taps += 1 - long_taps % 2
        return (Filter(kaiser_low_pass(long_taps, corner_hz, design_db, rate_hz)),)
    if copies_hz <= stop_hz:
        return ()
    # The smoother is a short filter, where the formulas err more: half as much margin again.
    short_db = design_db + MARGIN_DB
    short_taps = kaiser_taps(copies_hz - pass_hz, short_db, SAMPLE_RATE_HZ)
    if short_taps % 2 == 0:
        short_taps += 1
    if long_taps % 2 == 0 and stride % 2:
        long_taps += 1
    middle_hz = (copies_hz + pass_hz) / 2.0
    return (
        Filter(kaiser_low_pass(long_taps, corner_hz, design_db, rate_hz), stride),
        Filter(kaiser_low_pass(short_taps, middle_hz, short_db, SAMPLE_RATE_HZ)),
    )


def _padded(taps: int) -> int:
    return TAPS_A_PASS * math.ceil(taps / TAPS_A_PASS)


def fir_coefficients(filter_: Filter) -> Block:
    """Lay out one filter for :func:`fir_kernel`."""
    taps = np.zeros(_padded(len(filter_.taps)))
    taps[len(taps) - len(filter_.taps) :] = filter_.taps[::-1]
    return np.concatenate([[float(filter_.stride)], taps])


def fir_state(filter_: Filter) -> Block:
    """Return the past samples of one filter at rest, with room for a hop."""
    return np.zeros((_padded(len(filter_.taps)) - 1) * filter_.stride + HOP)


@kernel
def fir_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Run one filter over the block, in place.

    Every tap reads its own slice: only then does the loop over the samples become SIMD.
    """
    n = block.shape[0]
    stride = int(coefficients[STRIDE])
    taps = coefficients[FIRST_TAP:]
    past = (taps.shape[0] - 1) * stride
    new = state[past : past + n]
    for i in range(n):
        new[i] = block[i]
        block[i] = 0.0
    for first in range(0, taps.shape[0], TAPS_A_PASS):
        add_eight_taps(taps[first : first + TAPS_A_PASS], state[first * stride :], stride, block)
    move_past(state, past, n)


@kernel
def add_eight_taps(h: Block, x: Block, stride: int, block: Block) -> None:
    """Add to the block what eight taps ``h`` make of the samples from ``x`` on."""
    n = block.shape[0]
    h0, h1, h2, h3, h4, h5, h6, h7 = h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7]
    x0, x1 = x[:n], x[stride : stride + n]
    x2, x3 = x[2 * stride : 2 * stride + n], x[3 * stride : 3 * stride + n]
    x4, x5 = x[4 * stride : 4 * stride + n], x[5 * stride : 5 * stride + n]
    x6, x7 = x[6 * stride : 6 * stride + n], x[7 * stride : 7 * stride + n]
    for i in range(n):
        y = block[i] + h0 * x0[i] + h1 * x1[i] + h2 * x2[i] + h3 * x3[i]
        block[i] = y + h4 * x4[i] + h5 * x5[i] + h6 * x6[i] + h7 * x7[i]
