"""The least-squares problem of a cascade of analogue sections: its unknowns, errors and slopes.

Beside the sections, gain, delay and clock drift are unknown, and how third-order distortion bends
the magnitude: it adds to the fundamental the more, the larger the signal is where the distortion
happens, which may be before or behind what cuts the bottom and what cuts the top of the path.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.path import REFERENCE_HZ
from carrierfloor.dsp.section_shape import Shape, sections_of
from carrierfloor.dsp.sections import Section

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

FLOOR = 5e-4  # of the gain at 1 kHz: a better fit than that is of no use
CLOCK_PRIOR_PPM = 150.0  # what the drift that was taken out may be off by
BENT_DOUBT, SMALLEST_BENT = 1.5, 1e-5
PROBE = 1e-5  # step of the numerical slopes
# Ln gain, delay in units of 1 / (2 pi kHz), clock drift in ppm; ln of the gain that a signal of
# magnitude 1 adds or loses by third-order distortion, below and above 1 kHz.
NUISANCES = 5
GAIN, DELAY, DRIFT, BENT_BELOW, BENT_ABOVE = range(-NUISANCES, 0)
LARGEST_BENT = 2.0  # of the magnitude, up to which the bend is followed


@dataclass(frozen=True)
class Data:
    """What is fitted.

    Attributes
    ----------
    frequency_hz, response, noise : ndarray, shape (n,)
        Measured.
    clock : ndarray, shape (n,)
        Phase that one ppm of clock drift adds, rad.
    third : float
        Third harmonic over fundamental at 1 kHz: how much the magnitude may be bent.
    worth : float
        How many measured numbers one of them stands for.
    phase_blind : bool
        Whether only the magnitude is to be fitted; delay, drift and sign then stay as they are.
    """

    frequency_hz: Floats
    response: Complexes
    noise: Floats
    clock: Floats
    third: float = 0.0
    worth: float = 1.0
    phase_blind: bool = False

    @cached_property
    def weight(self) -> Floats:
        """One over the standard deviation of the real, and of the imaginary part."""
        return np.asarray(math.sqrt(self.worth) / np.hypot(self.noise / math.sqrt(2.0), FLOOR))

    @cached_property
    def powers(self) -> Complexes:
        """Second, first and no power of j 2 pi f, shape (3, n)."""
        s = 2j * np.pi * self.frequency_hz
        return np.array([s * s, s, np.ones(len(s))])

    @cached_property
    def bent(self) -> Floats:
        """How the magnitude is bent by one unit, below and above 1 kHz, shape (2, n)."""
        bend = np.minimum(np.abs(self.response), LARGEST_BENT) ** 2 - 1.0
        above = self.frequency_hz > REFERENCE_HZ
        return np.array([np.where(above, 0.0, bend), np.where(above, bend, 0.0)])

    @property
    def deviations(self) -> Floats:
        """Standard deviations of drift, bend below and bend above, before anything is fitted."""
        bent = 3.0 * BENT_DOUBT * self.third + SMALLEST_BENT
        return np.array([CLOCK_PRIOR_PPM, bent, bent])

    def thinned(self, step: int) -> "Data":
        """Return every so-many-th of it, with as much weight in all."""
        return Data(
            frequency_hz=self.frequency_hz[::step],
            response=self.response[::step],
            noise=self.noise[::step],
            clock=self.clock[::step],
            third=self.third,
            worth=self.worth * step,
        )

    def magnitude(self) -> "Data":
        """Return the same for a fit that does not look at the phase."""
        return replace(self, phase_blind=True)


@dataclass(frozen=True)
class Solution:
    """A fit.

    Attributes
    ----------
    shapes : tuple of Shape
        Of the sections.
    sign : float
        1.0 or -1.0.
    unknowns : ndarray, shape (u,)
        Those of each section in turn, then the nuisances.
    cost : float
        Sum of the squared, weighted errors.
    slopes : ndarray, shape (2 n + 1, u)
        Of the weighted errors by the unknowns.
    mean_cost : float
        The cost for each measured number; 1.0 if all of it is noise.
    """

    shapes: tuple[Shape, ...]
    sign: float
    unknowns: Floats
    cost: float
    slopes: Floats
    mean_cost: float

    @property
    def sections(self) -> tuple[Section, ...]:
        """The fitted sections."""
        return sections_of(self.shapes, self.unknowns)

    def covariance(self) -> Floats:
        """Return that of the unknowns, scaled up if the errors are larger than the noise."""
        scale = max(1.0, self.mean_cost)
        return np.asarray(np.linalg.pinv(self.slopes.T @ self.slopes, rcond=1e-12) * scale)


def nuisance(data: Data, sign: float, unknowns: Floats) -> Complexes:
    """Return the factor of sign, gain, delay, drift and bend; it is in the last unknowns."""
    turn = unknowns[DRIFT] * data.clock - unknowns[DELAY] * data.frequency_hz / 1000.0
    size = unknowns[GAIN] + unknowns[BENT_BELOW:] @ data.bent
    return np.asarray(sign * np.exp(size + 1j * turn))


class Point(NamedTuple):
    """Where a search is: computed once for the errors and for their slopes."""

    unknowns: Floats
    own: list[tuple[Shape, list[float]]]  # each section with its unknowns
    responses: Complexes  # of each section, shape (sections, n)
    model: Complexes  # of all of it, shape (n,)


@dataclass(frozen=True)
class Problem:
    """What is fitted, and the sections it is fitted with."""

    data: Data
    shapes: tuple[Shape, ...]
    sign: float

    @cached_property
    def bounds(self) -> tuple[Floats, Floats]:
        """Lowest and highest of each unknown."""
        pairs = [shape.bounds() for shape in self.shapes]
        low = [value for pair in pairs for value in pair[0]]
        high = [value for pair in pairs for value in pair[1]]
        widest = np.array([20.0, 1e6, 1e6, 0.1, 0.1])
        return np.concatenate([low, -widest]), np.concatenate([high, widest])

    def solution(self, unknowns: Floats, cost: float, slopes: Floats) -> Solution:
        """Return the unknowns as a fit."""
        numbers = (1.0 if self.data.phase_blind else 2.0) * len(self.data.frequency_hz)
        mean = cost / (self.data.worth * numbers)
        return Solution(self.shapes, self.sign, unknowns, cost, slopes, mean)

    def at(self, unknowns: Floats) -> Point:
        """Return what errors and slopes at these unknowns are made of."""
        own = self._own(unknowns)
        rows = np.array([shape.coefficients(part) for shape, part in own]).reshape(-1, 2, 3)
        responses = self._responses(rows)
        model = nuisance(self.data, self.sign, unknowns) * responses.prod(axis=0)
        return Point(unknowns, own, responses, np.asarray(model))

    def errors(self, unknowns: Floats) -> Floats:
        """Return the weighted errors, and those of what is known beforehand."""
        return self.errors_at(self.at(unknowns))

    def slopes(self, unknowns: Floats) -> Floats:
        """Return the slopes of the errors by the unknowns, shape (errors, unknowns)."""
        return self.slopes_at(self.at(unknowns))

    def errors_at(self, point: Point) -> Floats:
        """Return what :meth:`errors` does."""
        data = self.data
        prior = point.unknowns[DRIFT:] / data.deviations
        if data.phase_blind:
            off = (np.abs(point.model) - np.abs(data.response)) * data.weight
            return np.concatenate([off, prior])
        complex_off = (point.model - data.response) * data.weight
        return np.concatenate([complex_off.real, complex_off.imag, prior])

    def slopes_at(self, point: Point) -> Floats:
        """Return what :meth:`slopes` does: of a product, its relative slope times itself."""
        data = self.data
        columns = np.concatenate([self._relative_slopes(point), self._nuisance_slopes])
        prior = np.zeros((len(columns), 3))
        prior[DRIFT:] = np.diag(1.0 / data.deviations)
        if data.phase_blind:
            sizes = columns.real * (np.abs(point.model) * data.weight)
            return np.concatenate([sizes, prior], axis=1).T
        columns = columns * (point.model * data.weight)
        return np.concatenate([columns.real, columns.imag, prior], axis=1).T

    def _relative_slopes(self, point: Point) -> Complexes:
        """Return those of the sections: of each unknown, by moving it a little."""
        moved = []
        for shape, part in point.own:
            for number in range(shape.size):
                there = [*part]
                there[number] += PROBE
                moved.append(shape.coefficients(there))
        sizes = [shape.size for shape in self.shapes]
        base = np.repeat(point.responses, sizes, axis=0)
        return np.asarray((self._responses(np.array(moved).reshape(-1, 2, 3)) / base - 1.0) / PROBE)

    @cached_property
    def _nuisance_slopes(self) -> Complexes:
        data = self.data
        turns = [-1j * data.frequency_hz / 1000.0, 1j * data.clock]
        return np.array([np.ones(len(data.clock)), *turns, *data.bent])

    def _own(self, unknowns: Floats) -> list[tuple[Shape, list[float]]]:
        inside: list[float] = np.clip(unknowns, *self.bounds).tolist()
        parts, at = [], 0
        for shape in self.shapes:
            parts.append((shape, inside[at : at + shape.size]))
            at += shape.size
        return parts

    def _responses(self, rows: Floats) -> Complexes:
        """Return the responses of sections, of polynomials of shape (sections, 2, 3)."""
        return np.asarray((rows[:, 0] @ self.data.powers) / (rows[:, 1] @ self.data.powers))
