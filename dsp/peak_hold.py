"""Peak hold: the highest of the last seconds, which then falls."""

import math
from collections.abc import Iterable


class PeakHold:
    """Follow a stream of peaks that come at equal intervals.

    Parameters
    ----------
    hold_steps : int
        Peaks for which a highest one stays as it is.
    fall_per_step : float
        How much it falls with every peak after that, in the unit of the peaks.
    lowest : float
        Where it starts, and below which it does not fall.

    Attributes
    ----------
    value : float
        The hold.
    """

    def __init__(self, hold_steps: int, fall_per_step: float, lowest: float) -> None:
        self._hold_steps = hold_steps
        self._fall = fall_per_step
        self._lowest = lowest
        self.value = lowest
        self._age = 0

    def feed(self, peaks: Iterable[float]) -> None:
        """Take the next peaks; what is no number is passed over."""
        for peak in peaks:
            self._age += 1
            if self._age > self._hold_steps:
                self.value = max(self.value - self._fall, self._lowest)
            if peak >= self.value and not math.isnan(peak):
                self.value, self._age = float(peak), 0

    def rest(self, steps: int) -> None:
        """Let time pass without a peak."""
        falling = max(self._age + steps - max(self._age, self._hold_steps), 0)
        self._age += steps
        self.value = max(self.value - falling * self._fall, self._lowest)
