"""Carrier cut-offs in a received signal, which has noise in it and a limited band.

There the envelope never stays at zero: it rings and flickers around it, and the corner where the
carrier goes off is round.  So the flanks of a trough are looked at where noise and ringing do not
reach.  With the widths w1 and w2 of the trough at two heights above zero, e1 and e2 = 2 e1, the
parabola through both has its bottom at::

    e0 = e1 - (e2 - e1) w1^2 / (w2^2 - w1^2)

and is below zero for sqrt(2 w1^2 - w2^2).  That is where the modulation would have gone if the
stage could follow it.  The carrier was off if e0 is below zero by more than its error, and if the
envelope's own bottom is zero: a trough that something holds up has steep flanks too.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.carrier_rows import ROW
from carrierfloor.dsp.interpolation import FACTOR, FINE_RATE_HZ
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

DEEP_PART = 0.9  # of the cut-offs aim less deep than the depth that is reported
AIM_BINS = 300  # of 1 %, of how far below zero the modulation aims
KEPT = 1000  # cut-offs that are described; all are counted
LOWER = 0.04  # of the carrier: e1 without noise; ringing stays below
NOISES = 4.0  # e1 at least, in rms of the noise
SURE = 2.0  # errors by which e0 must be below zero
SMALLEST = 0.003  # of the carrier: e0 is never known better
BOTTOM = 0.012  # of the carrier: ringing of the bottom
RINGS = 0.04  # of the carrier: further below zero no bottom rings
REVERSED_PART = 0.6  # of e0 is the envelope's own bottom, where the phase turns over
LONGEST = 65_536  # points of a trough whose bottom is looked at, 0.34 s
POINTS_A_ROW = ROW * FACTOR

# Slots of the state.
COUNT, LAST = 0, 1  # points so far, and the last of them
OUTER, INNER, INNER_END, DIPS = 2, 3, 4, 5  # where e fell below e2 and e1, rose above e1; how often
LOW_AT = 6  # points of the trough whose sums are kept
CERTAIN, UNCERTAIN, REVERSED = 7, 8, 9  # troughs
OFF_TOTAL, OFF_LONGEST = 10, 11  # points
BOTTOMS, BOTTOM_WEIGHTS = 12, 13
FLAT, FLAT_BOTTOMS = 14, 15  # troughs with such flanks that end above zero, and their bottoms
SLOTS = 16
# Columns of what is kept of a cut-off.
BEGAN, LASTED = 0, 1
# Rows of what is counted for each 20 ms.
RAISED, OFF = 0, 1
NONE = -1.0


@dataclass(frozen=True)
class CutOff:
    """One cut-off of the carrier."""

    start_s: float
    duration_s: float


@dataclass(frozen=True)
class CutoffReading:
    """What was found."""

    count: int
    uncertain: int  # troughs that reach zero or nearly so; noise does not let tell
    reversed: int  # of the cut-offs: the envelope goes through zero, its phase turns over
    total_s: float
    longest_s: float
    first: tuple[CutOff, ...]  # the first KEPT
    wanted_depth: float  # nine tenths of them aim less deep; one alone is not known well
    flat: int  # troughs with such flanks that end flat above zero
    flat_bottom: float  # their mean height; 0 without any
    bottom: float  # mean height of the envelope while the carrier is off; 0 without any
    bottom_error: float


class CutoffFinder:
    """Look for cut-offs in a stream of m(t) at 192 kHz.

    Parameters
    ----------
    rows : int
        Rows of 20 ms to come, for :attr:`raised`.
    starts_at_s : float
        Time of the first point fed.
    least : float
        Of the carrier: by so much the modulation must aim below zero at least; a detector does not
        see better.

    Attributes
    ----------
    raised : ndarray, shape (rows,)
        By how much cut-offs raised the mean of each row, 1.0 = the carrier.
    per_row : ndarray, shape (rows,)
        Cut-offs in each row.
    """

    def __init__(self, rows: int, starts_at_s: float = 0.0, least: float = SMALLEST) -> None:
        self._starts_at_s, self._least = starts_at_s, least
        self._tally = np.zeros((2, rows + 1))
        self._state = np.zeros(SLOTS)
        self._state[OUTER] = self._state[INNER] = NONE
        self._state[LAST] = 1.0
        self._sums = np.zeros(LONGEST + 1)
        self._kept = np.zeros((KEPT, 2))
        self._aims = np.zeros(AIM_BINS)

    @property
    def raised(self) -> Block:
        """See the class."""
        return self._tally[RAISED, :-1]

    @property
    def per_row(self) -> Block:
        """See the class."""
        return self._tally[OFF, :-1]

    def feed(self, fine: Block, noise_rms: float, noise_points: float) -> None:
        """Take the next points of m, shape (n,).

        Parameters
        ----------
        fine : ndarray
            At 192 kHz, noise included.
        noise_rms : float
            Of it.
        noise_points : float
            How many points apart its samples know nothing of each other.
        """
        lower = lower_level(noise_rms)
        start = self._starts_at_s * FINE_RATE_HZ
        _find(
            fine, lower, noise_rms, noise_points, self._least, start, self._state, self._sums,
            self._kept, self._aims, self._tally,
        )  # fmt: skip

    def read(self) -> CutoffReading:
        """Return what was found so far; a trough still going on is left out."""
        state = self._state
        count, rate_hz = int(state[CERTAIN]), FINE_RATE_HZ
        weights = state[BOTTOM_WEIGHTS]
        return CutoffReading(
            count=count,
            uncertain=int(state[UNCERTAIN]),
            reversed=int(state[REVERSED]),
            total_s=float(state[OFF_TOTAL] / rate_hz),
            longest_s=float(state[OFF_LONGEST] / rate_hz),
            first=tuple(
                CutOff(self._time_s(row[BEGAN]), float(row[LASTED] / rate_hz))
                for row in self._kept[:count]
            ),
            wanted_depth=self._wanted_depth() if count else 0.0,
            flat=int(state[FLAT]),
            flat_bottom=float(state[FLAT_BOTTOMS] / max(1.0, state[FLAT])),
            bottom=float(state[BOTTOMS] / weights) if weights else 0.0,
            bottom_error=float(1.0 / math.sqrt(weights)) if weights else 0.0,
        )

    def _wanted_depth(self) -> float:
        held = np.cumsum(self._aims)
        at = int(np.argmax(held >= DEEP_PART * held[-1]))
        return 1.0 + (at + 0.5) / 100.0

    def _time_s(self, at: float) -> float:
        return self._starts_at_s + float(at) / FINE_RATE_HZ


def lower_level(noise_rms: float) -> float:
    """Return e1, the lower height at which a trough is looked at."""
    return max(LOWER, NOISES * noise_rms)


@kernel
def _find(
    fine: Block,
    lower: float,
    noise: float,
    noise_points: float,
    least: float,
    start: float,
    state: Block,
    sums: Block,
    kept: NDArray[np.float64],
    aims: Block,
    tally: NDArray[np.float64],
) -> None:
    """Follow e = 1 + m through the two heights; judge each trough when it rises above the upper."""
    upper = 2.0 * lower
    before, count = state[LAST], state[COUNT]
    for i in range(fine.shape[0]):
        e = 1.0 + fine[i]
        if e > upper and before > upper:
            before = e
            continue
        at = count + i - 1.0  # of the point before
        if e <= upper < before:
            state[OUTER] = at + (before - upper) / (before - e)
            state[INNER], state[DIPS] = NONE, 0.0
        if e <= lower < before and state[OUTER] >= 0.0:
            if state[INNER] < 0.0:
                state[INNER], state[LOW_AT] = at + (before - lower) / (before - e), 0.0
            state[DIPS] += 1.0
        if before <= lower < e and state[INNER] >= 0.0:
            state[INNER_END] = at + (lower - before) / (e - before)
        if state[INNER] >= 0.0 and e <= lower:
            n = int(state[LOW_AT])
            if n < sums.shape[0] - 1:
                sums[n + 1] = sums[n] + e
                state[LOW_AT] = n + 1.0
        if before <= upper < e and state[OUTER] >= 0.0:
            if state[INNER] >= 0.0:
                end = at + (upper - before) / (e - before)
                _judge(
                    end, lower, noise, noise_points, least, start, state, sums, kept, aims, tally
                )
            state[OUTER] = state[INNER] = NONE
        before = e
    state[LAST], state[COUNT] = before, count + fine.shape[0]


@kernel
def _judge(
    end: float,
    lower: float,
    noise: float,
    noise_points: float,
    least: float,
    start: float,
    state: Block,
    sums: Block,
    kept: NDArray[np.float64],
    aims: Block,
    tally: NDArray[np.float64],
) -> None:
    """Tell whether the carrier was off in a trough, and for how long."""
    inner, outer = state[INNER_END] - state[INNER], end - state[OUTER]
    n = int(state[LOW_AT])
    if n < 2 or outer <= inner:
        return
    first, last = n // 4, n - n // 4
    bottom = (sums[last] - sums[first]) / (last - first)
    bottom_error = noise / math.sqrt(max(1.0, (last - first) / noise_points))
    inner2, outer2 = inner * inner, outer * outer
    spread = outer2 - inner2
    aim = lower - lower * inner2 / spread
    # The widths' errors: noise over the slope of the parabola at either height, at both flanks.
    bend = 8.0 * lower / spread
    inner_error = math.sqrt(2.0) * noise / (0.5 * bend * inner)
    outer_error = math.sqrt(2.0) * noise / (0.5 * bend * outer)
    error = 2.0 * lower * inner * outer / (spread * spread)
    error *= math.sqrt((outer * inner_error) ** 2 + (inner * outer_error) ** 2)
    sure = max(least, SURE * error)
    if bottom > BOTTOM + 2.5 * bottom_error or aim > sure:
        if aim < -sure:
            state[FLAT] += 1.0
            state[FLAT_BOTTOMS] += bottom
        return
    off = math.sqrt(max(0.0, 2.0 * inner2 - outer2))
    middle = 0.5 * (state[INNER] + state[INNER_END])
    row = max(0, min(int((start + middle) / POINTS_A_ROW), tally.shape[1] - 1))
    if aim < 0.0:
        tally[RAISED, row] += 2.0 / 3.0 * -aim * off / POINTS_A_ROW
    if aim > -sure or state[DIPS] > 1.0:
        state[UNCERTAIN] += 1.0
        return
    tally[OFF, row] += 1.0
    weight = 1.0 / (bottom_error * bottom_error + 1e-8)
    state[BOTTOMS] += weight * bottom
    state[BOTTOM_WEIGHTS] += weight
    number = int(state[CERTAIN])
    if number < kept.shape[0]:
        kept[number, BEGAN], kept[number, LASTED] = middle - 0.5 * off, off
    state[CERTAIN] += 1.0
    if bottom < min(REVERSED_PART * aim, -RINGS - 2.5 * bottom_error):
        state[REVERSED] += 1.0
    state[OFF_TOTAL] += off
    state[OFF_LONGEST] = max(state[OFF_LONGEST], off)
    aims[min(int(-100.0 * aim), aims.shape[0] - 1)] += 1.0
