"""Depth of modulation: peaks both ways, cut-offs, how m is spread.

m is measured against the unmodulated carrier: crest and trough of the envelope, less the carrier,
over the carrier (US Navy, NEETS module 21, "Test methods and practices").  The old
(max - min) / (max + min) is right for one symmetric tone and misreads speech.

The meter reads m on a grid of 384 kHz and puts a parabola through the three points at each crest
and trough, so a peak of 10 kHz content is found to 1e-4.
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

# Slots of the state.
LAST, BEFORE_LAST, COUNT = 0, 1, 2  # the two values before, and how many there were
CREST, CREST_AT, TROUGH, TROUGH_AT = 3, 4, 5, 6
OFF_SINCE, CUTOFFS, OFF_TOTAL, OFF_LONGEST = 7, 8, 9, 10  # in fine samples; OFF_SINCE < 0: on
SUM, SUM_SQUARES, ENVELOPE_SUM, ENVELOPE_SQUARES = 11, 12, 13, 14
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
    carrier_ratio: float  # mean envelope over carrier: what a cut-off adds to it
    power_ratio: float  # mean power over unmodulated carrier power
    duration_s: float
    histogram: NDArray[np.int64]  # samples of m in each bin between the edges HISTOGRAM_M

    @property
    def pep_ratio(self) -> float:
        """Peak envelope power over carrier power (47 CFR 97.3(b))."""
        return pep_ratio(max(0.0, self.positive_peak))

    def percentile(self, pct: float) -> float:
        """Return the m that ``pct`` percent of the time lies below, to a bin of 1 %."""
        below = np.concatenate([[0], np.cumsum(self.histogram)])
        if not below[-1]:
            return 0.0
        first = np.flatnonzero(self.histogram)[0]
        last = np.flatnonzero(self.histogram)[-1] + 1
        wanted = pct / 100.0 * below[-1]
        return float(np.interp(wanted, below[first : last + 1], HISTOGRAM_M[first : last + 1]))


class ModulationMeter:
    """Measure a stream of m(t) at the fine rate, in constant memory.

    Parameters
    ----------
    starts_at_s : float
        Time of the first sample fed.
    """

    def __init__(self, starts_at_s: float = 0.0) -> None:
        self._starts_at_s = starts_at_s
        self.reset()

    def reset(self) -> None:
        """Forget all past input."""
        self._state = np.zeros(SLOTS)
        self._state[OFF_SINCE] = -1.0
        self._times = np.zeros(TIMES_KEPT)
        self._histogram = np.zeros(len(HISTOGRAM_M) - 1, dtype=np.int64)

    def feed(self, fine: Block) -> None:
        """Take the next samples of m at 384 kHz, shape (n,)."""
        _measure(fine, self._state, self._times)
        inside = np.clip(fine[::FACTOR], HISTOGRAM_M[0], HISTOGRAM_M[-1])
        bins = np.minimum(((inside - HISTOGRAM_M[0]) * 100.0).astype(np.int64), 699)
        self._histogram += np.bincount(bins, minlength=len(self._histogram))

    def read(self) -> ModulationReading:
        """Return the readings of all that was fed; a cut-off still going on counts up to now."""
        state = self._state.copy()
        if state[OFF_SINCE] >= 0.0:
            _end_cutoff(state, self._times.copy(), state[COUNT] - 1.0)
        count = max(1.0, state[COUNT])
        kept = min(int(state[CUTOFFS]), TIMES_KEPT)
        times = self._times.copy()
        if self._state[OFF_SINCE] >= 0.0 and kept == int(state[CUTOFFS]):
            times[kept - 1] = self._state[OFF_SINCE]
        return ModulationReading(
            positive_peak=float(state[CREST]),
            positive_peak_s=self._time_s(state[CREST_AT]),
            negative_peak=float(-state[TROUGH]),
            negative_peak_s=self._time_s(state[TROUGH_AT]),
            cutoffs=int(state[CUTOFFS]),
            cutoff_total_s=float(state[OFF_TOTAL] / FINE_RATE_HZ),
            cutoff_longest_s=float(state[OFF_LONGEST] / FINE_RATE_HZ),
            cutoff_times_s=tuple(self._time_s(at) for at in times[:kept]),
            mean=float(state[SUM] / count),
            rms=math.sqrt(state[SUM_SQUARES] / count),
            carrier_ratio=1.0 + float(state[ENVELOPE_SUM] / count),
            power_ratio=1.0 + float(state[ENVELOPE_SQUARES] / count),
            duration_s=float(state[COUNT] / FINE_RATE_HZ),
            histogram=self._histogram.copy(),
        )

    def _time_s(self, at: float) -> float:
        return self._starts_at_s + float(at) / FINE_RATE_HZ


@kernel
def _end_cutoff(state, times, until):  # type: ignore[no-untyped-def]
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
def _measure(fine, state, times):  # type: ignore[no-untyped-def]
    """Follow the waveform point by point; ``b`` lies between ``a`` before and ``c`` after it."""
    a, b, count = state[BEFORE_LAST], state[LAST], state[COUNT]
    total, squares, envelope, power = 0.0, 0.0, 0.0, 0.0
    for i in range(fine.shape[0]):
        c = fine[i]
        if b > a and b >= c and b > 0.9 * state[CREST]:
            top = b - (c - a) * (c - a) / (8.0 * (a - 2.0 * b + c))
            if top > state[CREST]:
                state[CREST], state[CREST_AT] = top, count - 1.0
        elif b < a and b <= c and (b < 0.9 * state[TROUGH] or b < 0.9 * CUT_OFF):
            bend = a - 2.0 * b + c
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
        total += c
        squares += c * c
        up = max(c, CUT_OFF)  # what is left of the envelope, less the carrier
        envelope += up
        power += up * (2.0 + up)  # (1 + up)^2 - 1
        a, b = b, c
        count += 1.0
    state[BEFORE_LAST], state[LAST], state[COUNT] = a, b, count
    state[SUM] += total
    state[SUM_SQUARES] += squares
    state[ENVELOPE_SUM] += envelope
    state[ENVELOPE_SQUARES] += power
