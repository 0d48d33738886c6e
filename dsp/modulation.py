"""Depth of modulation: peaks both ways, cut-offs, how m is spread.

m is measured against the unmodulated carrier: crest and trough of the envelope, less the carrier,
over the carrier (US Navy, NEETS module 21, "Test methods and practices").  The old
(max - min) / (max + min) is right for one symmetric tone and misreads speech.

The meter reads m on a grid of 192 kHz and puts a parabola through the three points at each crest
and trough, so that a peak of 8 kHz content is found to 1e-4.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.carrier import pep_ratio
from carrierfloor.dsp.interpolation import FACTOR, FINE_RATE_HZ
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

CUT_OFF = -1.0  # m at which the envelope reaches zero
TIMES_KEPT = 1000  # cut-offs whose times are kept; all are counted
HISTOGRAM_M = np.round(np.arange(-300, 401) / 100.0, 2)  # edges of its bins, -300 to +400 %
RUN = 64  # points that are passed over at once if none of them can matter
# Up to 21 kHz the grid has a point within 6 % of every peak; one below this part of the highest
# peak so far cannot belong to a higher one.
NEAR = 0.9

# Slots of the state.
LAST, BEFORE_LAST, COUNT = 0, 1, 2  # the two points before, and how many there were
CREST, CREST_AT, TROUGH, TROUGH_AT = 3, 4, 5, 6
OFF_SINCE, CUTOFFS, OFF_TOTAL, OFF_LONGEST = 7, 8, 9, 10  # in points; OFF_SINCE < 0: not off
SUM, SUM_SQUARES = 11, 12  # of m
UNDER, UNDER_SQUARES = 13, 14  # of 1 + m where it is negative: what a cut-off stage leaves out
SLOTS = 15


@dataclass(frozen=True)
class ModulationReading:
    """What the meter found; m is 1.0 at 100 %."""

    positive_peak: float  # highest m
    positive_peak_s: float  # when
    negative_peak: float  # depth of the deepest trough, -m; 1.0 is carrier cut-off
    negative_peak_s: float  # when
    cutoffs: int  # how often the envelope reached zero
    cutoff_total_s: float  # for how long in all
    cutoff_longest_s: float  # the longest of them
    cutoff_times_s: tuple[float, ...]  # when each began; the first TIMES_KEPT
    mean: float  # of m
    rms: float  # of m, pauses included
    carrier_ratio: float  # mean envelope over carrier
    power_ratio: float  # mean power over the power of the unmodulated carrier
    duration_s: float
    histogram: NDArray[np.int64]  # samples of m in each bin between the edges HISTOGRAM_M

    @property
    def pep_ratio(self) -> float:
        """Peak envelope power over carrier power (47 CFR 97.3(b))."""
        return pep_ratio(max(0.0, self.positive_peak))

    def percentile(self, pct: float) -> float:
        """Return the m that ``pct`` percent of the time lies below, to a bin of 1 %."""
        if not self.histogram.any():
            return 0.0
        below = np.concatenate([[0], np.cumsum(self.histogram)])
        first = np.flatnonzero(self.histogram)[0]
        last = np.flatnonzero(self.histogram)[-1] + 2
        wanted = pct / 100.0 * below[-1]
        return float(np.interp(wanted, below[first:last], HISTOGRAM_M[first:last]))


class ModulationMeter:
    """Measure a stream of m(t) at the fine rate, in constant memory.

    Parameters
    ----------
    starts_at_s : float
        Time of the first point fed.
    rate_hz : float
        Of the points: 192 kHz, or more for other grids.
    """

    def __init__(self, starts_at_s: float = 0.0, rate_hz: float = FINE_RATE_HZ) -> None:
        self._starts_at_s, self._rate_hz = starts_at_s, rate_hz
        self.reset()

    def reset(self) -> None:
        """Forget all past input."""
        self._state = np.zeros(SLOTS)
        self._state[OFF_SINCE] = -1.0
        self._times = np.zeros(TIMES_KEPT)
        self._histogram = np.zeros(len(HISTOGRAM_M) - 1, dtype=np.int64)

    def feed(self, fine: Block) -> None:
        """Take the next points of m, shape (n,); a quarter of them go into the histogram."""
        _measure(fine, self._state, self._times)
        _spread(fine[::FACTOR], HISTOGRAM_M[0], self._histogram)

    def read(self) -> ModulationReading:
        """Return the readings of all that was fed; a cut-off still going on counts up to now."""
        state, times = self._state.copy(), self._times.copy()
        if state[OFF_SINCE] >= 0.0:
            _end_cutoff(state, times, state[COUNT] - 1.0)
        count = max(1.0, state[COUNT])
        mean, mean_square = state[SUM] / count, state[SUM_SQUARES] / count
        return ModulationReading(
            positive_peak=float(state[CREST]),
            positive_peak_s=self._time_s(state[CREST_AT]),
            negative_peak=float(-state[TROUGH]),
            negative_peak_s=self._time_s(state[TROUGH_AT]),
            cutoffs=int(state[CUTOFFS]),
            cutoff_total_s=float(state[OFF_TOTAL] / self._rate_hz),
            cutoff_longest_s=float(state[OFF_LONGEST] / self._rate_hz),
            cutoff_times_s=tuple(self._time_s(at) for at in times[: int(state[CUTOFFS])]),
            mean=float(mean),
            rms=math.sqrt(mean_square),
            carrier_ratio=float(1.0 + mean - state[UNDER] / count),
            power_ratio=float(1.0 + 2.0 * mean + mean_square - state[UNDER_SQUARES] / count),
            duration_s=float(state[COUNT] / self._rate_hz),
            histogram=self._histogram.copy(),
        )

    def _time_s(self, at: float) -> float:
        return self._starts_at_s + float(at) / self._rate_hz


@kernel
def _measure(fine: Block, state: Block, times: Block) -> None:
    """Sum up every run of points; look closely at those that may hold a peak or a cut-off."""
    for start in range(0, fine.shape[0], RUN):
        run = fine[start : start + RUN]
        lowest, highest = state[LAST], state[LAST]
        total, squares = 0.0, 0.0
        for i in range(run.shape[0]):
            lowest, highest = min(lowest, run[i]), max(highest, run[i])
            total += run[i]
            squares += run[i] * run[i]
        state[SUM] += total
        state[SUM_SQUARES] += squares
        if highest > NEAR * state[CREST] or lowest < NEAR * max(state[TROUGH], CUT_OFF):
            _look(run, state, times)
        else:
            state[COUNT] += run.shape[0]
            state[BEFORE_LAST] = run[-2] if run.shape[0] > 1 else state[LAST]
            state[LAST] = run[-1]


@kernel
def _look(run: Block, state: Block, times: Block) -> None:
    """Follow the waveform point by point; ``b`` lies between ``a`` before and ``c`` after it."""
    a, b, count = state[BEFORE_LAST], state[LAST], state[COUNT]
    for i in range(run.shape[0]):
        c = run[i]
        bend = a - 2.0 * b + c
        if b > a and b >= c:
            top = b - (c - a) * (c - a) / (8.0 * bend)
            if top > state[CREST]:
                state[CREST], state[CREST_AT] = top, count - 1.0
        elif b < a and b <= c:
            bottom = b - (c - a) * (c - a) / (8.0 * bend)
            if bottom < state[TROUGH]:
                state[TROUGH], state[TROUGH_AT] = bottom, count - 1.0
            if bottom <= CUT_OFF < b:  # off between two points only
                half = math.sqrt(2.0 * (CUT_OFF - bottom) / bend)
                state[OFF_SINCE] = count - 1.0 - half
                _end_cutoff(state, times, count - 1.0 + half)
        if c <= CUT_OFF < b:
            state[OFF_SINCE] = count - 1.0 + (b - CUT_OFF) / (b - c)
        elif b <= CUT_OFF < c:
            _end_cutoff(state, times, count - 1.0 + (CUT_OFF - b) / (c - b))
        if c < CUT_OFF:
            state[UNDER] += 1.0 + c
            state[UNDER_SQUARES] += (1.0 + c) * (1.0 + c)
        a, b = b, c
        count += 1.0
    state[BEFORE_LAST], state[LAST], state[COUNT] = a, b, count


@kernel
def _end_cutoff(state: Block, times: Block, until: float) -> None:
    """Count the cut-off that began at OFF_SINCE."""
    length = until - state[OFF_SINCE]
    number = int(state[CUTOFFS])
    if number < times.shape[0]:
        times[number] = state[OFF_SINCE]
    state[CUTOFFS] += 1.0
    state[OFF_TOTAL] += length
    state[OFF_LONGEST] = max(state[OFF_LONGEST], length)
    state[OFF_SINCE] = -1.0


@kernel
def _spread(samples: Block, lowest: float, histogram: NDArray[np.int64]) -> None:
    """Count the samples in bins of 1 %; what lies outside goes to the first or last bin."""
    last = histogram.shape[0] - 1
    for i in range(samples.shape[0]):
        at = math.floor((samples[i] - lowest) * 100.0)
        histogram[min(max(at, 0), last)] += 1
