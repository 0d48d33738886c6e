"""Kinds of sections as they are fitted: which numbers each has, and how far they may go.

Corners and qualities are logarithms here, so that all of them are unbounded numbers of a like size.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.sections import Section, coefficients, polynomials

Floats = NDArray[np.float64]

# How far a section may go in search of a fit: a transmitter is no equaliser.  Below the lowest
# frequency of a usual sweep only first-order high-passes are believed; a resonance that no sweep
# has seen would be a guess.
FIRST_ORDER_HIGH_PASS_HZ = (0.5, 1000.0)
RANGES_HZ = {
    "highpass": (15.0, 1000.0),
    "lowpass": (500.0, 29_000.0),
    "peak": (20.0, 15_000.0),
    "lowshelf": (20.0, 15_000.0),
    "highshelf": (20.0, 15_000.0),
    "allpass": (40.0, 7000.0),  # beyond, it is a delay or a turned sign
}
QUALITY, GAIN_DB = (0.15, 15.0), (-15.0, 15.0)
QUALITIES = {
    "highpass": (0.15, 4.0),
    "lowpass": (0.15, 4.0),
    "allpass": (0.45, 2.0),  # with less, it is two of first order
}


@dataclass(frozen=True)
class Shape:
    """Which kind of section, and which of its numbers it has."""

    kind: str
    has_q: bool
    has_gain: bool

    @property
    def size(self) -> int:
        """How many unknowns."""
        return 1 + self.has_q + self.has_gain

    def numbers(
        self, unknowns: Sequence[float] | Floats
    ) -> tuple[float, float | None, float | None]:
        """Return frequency in Hz, q and gain in dB of ln frequency, then ln q, then gain."""
        q = math.exp(unknowns[1]) if self.has_q else None
        return math.exp(unknowns[0]), q, float(unknowns[-1]) if self.has_gain else None

    def section(self, unknowns: Floats) -> Section:
        """Make the section of its unknowns."""
        frequency_hz, q, gain_db = self.numbers(unknowns)
        if self.kind == "peak":
            return Section(kind="peak", centre_hz=frequency_hz, q=q, gain_db=gain_db)
        return Section(kind=self.kind, corner_hz=frequency_hz, q=q, gain_db=gain_db)

    def polynomials(self, unknowns: Floats) -> Floats:
        """Return numerator and denominator in s, highest power first, shape (2, 3)."""
        return np.array(polynomials(self.kind, *self.numbers(unknowns)))

    def coefficients(self, unknowns: Sequence[float]) -> tuple[float, ...]:
        """Return the same six numbers one after the other, without an array for each."""
        return coefficients(self.kind, *self.numbers(unknowns))

    def bounds(self) -> tuple[list[float], list[float]]:
        """Return lowest and highest of each unknown."""
        first_order = self.kind == "highpass" and not self.has_q
        rows = [np.log(FIRST_ORDER_HIGH_PASS_HZ if first_order else RANGES_HZ[self.kind])]
        lowest_q, highest_q = QUALITIES.get(self.kind, QUALITY)
        rows += [np.log((lowest_q, highest_q))] * self.has_q
        rows += [np.array(GAIN_DB)] * self.has_gain
        return [float(row[0]) for row in rows], [float(row[1]) for row in rows]


HIGH_PASS_1 = Shape("highpass", False, False)
HIGH_PASS_2 = Shape("highpass", True, False)
LOW_PASS_1 = Shape("lowpass", False, False)
LOW_PASS_2 = Shape("lowpass", True, False)
PEAK = Shape("peak", True, True)
LOW_SHELF = Shape("lowshelf", True, True)
HIGH_SHELF = Shape("highshelf", True, True)
ALL_PASS_1 = Shape("allpass", False, False)
ALL_PASS_2 = Shape("allpass", True, False)


def sections_of(shapes: Sequence[Shape], unknowns: Floats) -> tuple[Section, ...]:
    """Make the sections of a vector of unknowns; what is beyond a bound is moved to it."""
    made, at = [], 0
    for shape in shapes:
        low, high = shape.bounds()
        made.append(shape.section(np.clip(unknowns[at : at + shape.size], low, high)))
        at += shape.size
    return tuple(made)
