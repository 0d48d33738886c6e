"""One segment of an emission mask: between two offsets, so far below the carrier."""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.settings import check, setting
from carrierfloor.dsp.stage import Block


@dataclass(frozen=True, kw_only=True)
class Segment:
    """One part of the limit."""

    from_hz: float = setting(unit="Hz", low=0.0, high=1e7, effect="offset where it begins")
    to_hz: float | None = setting(
        None, unit="Hz", low=0.0, high=1e7, effect="where it ends; left out: without end"
    )
    below_db: float | None = setting(
        None, unit="dB", low=-30.0, high=200.0, effect="how far below the reference, at from_hz"
    )
    below_db_at_end: float | None = setting(
        None, unit="dB", low=-30.0, high=200.0, effect="at to_hz; left out: as at from_hz"
    )
    power_db: float | None = setting(
        None, unit="dB", low=-30.0, high=200.0, effect="plus 10 lg(carrier power in watts)"
    )
    most_db: float | None = setting(
        None, unit="dB", low=0.0, high=200.0, effect="with power_db: never more than this"
    )
    small_power_w: float | None = setting(
        None, unit="W", low=0.001, high=1e6, effect="with power_db: below this power, however ..."
    )
    small_power_db: float | None = setting(None, unit="dB", low=0.0, high=200.0, effect="... this")

    def __post_init__(self) -> None:
        check(self, "segment")
        if self.to_hz is not None and not self.to_hz > self.from_hz:
            raise SettingError(
                f"to_hz is {self.to_hz:g} Hz; it must be above from_hz, {self.from_hz:g} Hz"
            )
        if (self.below_db is None) == (self.power_db is None):
            raise SettingError("a segment needs one of below_db and power_db")
        if self.below_db_at_end is not None and (self.below_db is None or self.to_hz is None):
            raise SettingError("below_db_at_end needs below_db and to_hz")
        if self.power_db is None and (self.most_db, self.small_power_w) != (None, None):
            raise SettingError("most_db and small_power_w need power_db")
        if (self.small_power_w is None) != (self.small_power_db is None):
            raise SettingError("small_power_w and small_power_db need each other")

    @property
    def end_hz(self) -> float:
        """Where it ends, infinite if it does not."""
        return math.inf if self.to_hz is None else self.to_hz

    def limit_db(self, offset_hz: Block, power_w: float | None, logarithmic: bool) -> Block:
        """Return the limit at offsets, in dB below the reference; NaN if it needs the power.

        Parameters
        ----------
        offset_hz : ndarray, shape (n,)
            Within the segment, without sign.
        power_w : float or None
            Of the unmodulated carrier.
        logarithmic : bool
            Whether its line is straight over the logarithm of the offset.
        """
        if self.below_db is None:
            return np.full(len(offset_hz), self._by_power(power_w))
        if self.below_db_at_end is None or self.to_hz is None:
            return np.full(len(offset_hz), self.below_db)
        ends, places = np.array([self.from_hz, self.to_hz]), offset_hz
        if logarithmic:
            ends, places = np.log(ends), np.log(offset_hz)
        return np.interp(places, ends, [self.below_db, self.below_db_at_end])

    def _by_power(self, power_w: float | None) -> float:
        if power_w is None:
            return math.nan
        if self.small_power_w is not None and power_w < self.small_power_w:
            return float(self.small_power_db or 0.0)
        most_db = math.inf if self.most_db is None else self.most_db
        return min(most_db, float(self.power_db or 0.0) + 10.0 * math.log10(power_w))
