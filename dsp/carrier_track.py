"""Where a carrier was, and how it moved: a few sums, however long the recording."""

import math

NEWEST_DRIFT = 0.1  # share of the newest pair of readings in the drift that is expected to go on


class CarrierTrack:
    """Sum up a carrier's frequency over time.

    Attributes
    ----------
    first_hz, last_hz, lowest_hz, highest_hz : float
        NaN before there was any.
    """

    def __init__(self) -> None:
        self.first_hz = self.last_hz = self.lowest_hz = self.highest_hz = math.nan
        self._count, self._first_s = 0, 0.0
        self._t = self._f = self._tt = self._tf = 0.0  # sums, from the first time and frequency
        self._last_s = self._drift_now = 0.0
        self._is_new = True  # nothing was added since it was found

    def add(self, time_s: float, frequency_hz: float) -> None:
        """Take where the carrier was at a time."""
        if not self._count:
            self.first_hz = self.lowest_hz = self.highest_hz = frequency_hz
            self._first_s = time_s
        if not self._is_new and time_s > self._last_s:
            slope = (frequency_hz - self.last_hz) / (time_s - self._last_s)
            self._drift_now += NEWEST_DRIFT * (slope - self._drift_now)
        self.last_hz, self._last_s = frequency_hz, time_s
        self.lowest_hz = min(self.lowest_hz, frequency_hz)
        self.highest_hz = max(self.highest_hz, frequency_hz)
        t, f = time_s - self._first_s, frequency_hz - self.first_hz
        self._count += 1
        self._t, self._f = self._t + t, self._f + f
        self._tt, self._tf = self._tt + t * t, self._tf + t * f

    def expected_hz(self, time_s: float) -> float:
        """Return where the carrier will be a little later, if it drifts on as it did."""
        return self.last_hz + self._drift_now * (time_s - self._last_s)

    def begin(self, time_s: float, frequency_hz: float, drift_hz_per_s: float) -> None:
        """Expect a carrier here from now on: it was found, or lost and found again."""
        self.last_hz, self._last_s = frequency_hz, time_s
        self._drift_now, self._is_new = drift_hz_per_s, True

    def shift(self, by_hz: float) -> None:
        """Count all frequencies from another zero: what was followed had been mixed down."""
        self.first_hz += by_hz
        self.last_hz += by_hz
        self.lowest_hz += by_hz
        self.highest_hz += by_hz

    @property
    def was_found(self) -> bool:
        """Whether there was a carrier at all."""
        return self._count > 0

    @property
    def mean_hz(self) -> float:
        """The mean frequency; NaN before there was any."""
        return self.first_hz + self._f / self._count if self._count else math.nan

    @property
    def drift_hz_per_s(self) -> float:
        """Slope of the straight line that fits best; 0 where there is none."""
        spread = self._count * self._tt - self._t * self._t
        if spread <= 0.0:
            return 0.0
        return (self._count * self._tf - self._t * self._f) / spread
