"""Least squares of a cascade of analogue sections against a measured complex response.

Beside the sections, gain, delay and clock drift are unknown.  Corners and qualities are fitted as
logarithms.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from carrierfloor.dsp.sections import Section, polynomials

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

FLOOR = 5e-4  # of the gain at 1 kHz: a better fit than that is of no use
CLOCK_PRIOR_PPM = 30.0  # what the drift that was taken out may be off by
# How far a section may go in search of a fit: a transmitter is no equaliser.
CORNERS_HZ = {"highpass": (0.5, 1000.0), "lowpass": (500.0, 29_000.0), "allpass": (15.0, 20_000.0)}
CENTRES_HZ = (2.0, 29_000.0)
QUALITY, GAIN_DB = (0.15, 15.0), (-15.0, 15.0)
PROBE = 1e-5  # step of the numerical slopes
NUISANCES = 3  # ln gain, delay in units of 1 / (2 pi kHz), clock drift in ppm
MOST_EVALUATIONS = 60
MOST_HALVINGS, SLACK = 40, 1.2


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

    def numbers(self, unknowns: Floats) -> tuple[float, float | None, float | None]:
        """Return frequency in Hz, q and gain in dB of ln frequency, then ln q, then gain."""
        q = math.exp(unknowns[1]) if self.has_q else None
        return math.exp(unknowns[0]), q, float(unknowns[-1]) if self.has_gain else None

    def section(self, unknowns: Floats) -> Section:
        """Make the section of its unknowns."""
        frequency_hz, q, gain_db = self.numbers(unknowns)
        if self.kind == "peak":
            return Section(kind="peak", centre_hz=frequency_hz, q=q, gain_db=gain_db)
        return Section(kind=self.kind, corner_hz=frequency_hz, q=q, gain_db=gain_db)

    def response(self, unknowns: Floats, s: Complexes) -> Complexes:
        """Return its response at s = j 2 pi f."""
        top, bottom = polynomials(self.kind, *self.numbers(unknowns))
        return np.asarray(
            ((top[0] * s + top[1]) * s + top[2]) / ((bottom[0] * s + bottom[1]) * s + bottom[2])
        )

    def bounds(self) -> tuple[list[float], list[float]]:
        """Return lowest and highest of each unknown."""
        rows = [np.log(CORNERS_HZ.get(self.kind, CENTRES_HZ))]
        rows += [np.log(QUALITY)] * self.has_q + [np.array(GAIN_DB)] * self.has_gain
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


@dataclass(frozen=True)
class Data:
    """What is fitted.

    Attributes
    ----------
    frequency_hz, response, noise : ndarray, shape (n,)
        Measured.
    clock : ndarray, shape (n,)
        Phase that one ppm of clock drift adds, rad.
    worth : float
        How many measured numbers one of them stands for.
    """

    frequency_hz: Floats
    response: Complexes
    noise: Floats
    clock: Floats
    worth: float = 1.0

    @cached_property
    def weight(self) -> Floats:
        """One over the standard deviation of the real, and of the imaginary part."""
        return np.asarray(math.sqrt(self.worth) / np.hypot(self.noise / math.sqrt(2.0), FLOOR))

    @cached_property
    def s(self) -> Complexes:
        """The complex frequency j 2 pi f."""
        return np.asarray(2j * np.pi * self.frequency_hz)

    def thinned(self, step: int) -> "Data":
        """Return every so-many-th of it, with as much weight in all."""
        parts = (self.frequency_hz, self.response, self.noise, self.clock)
        return Data(*(part[::step] for part in parts), worth=self.worth * step)


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


def sections_of(shapes: Sequence[Shape], unknowns: Floats) -> tuple[Section, ...]:
    """Make the sections of a vector of unknowns; what is beyond a bound is moved to it."""
    made, at = [], 0
    for shape in shapes:
        low, high = shape.bounds()
        made.append(shape.section(np.clip(unknowns[at : at + shape.size], low, high)))
        at += shape.size
    return tuple(made)


def nuisance(data: Data, sign: float, unknowns: Floats) -> Complexes:
    """Return the factor of sign, gain, delay and clock drift; it is in the last unknowns."""
    gain, delay, drift = unknowns[-NUISANCES:]
    return np.asarray(
        sign * np.exp(gain - 1j * delay * data.frequency_hz / 1000.0 + 1j * drift * data.clock)
    )


def fit(
    data: Data,
    shapes: Sequence[Shape],
    sign: float,
    start: Floats,
    *,
    evaluations: int = MOST_EVALUATIONS,
) -> Solution:
    """Move all unknowns until the weighted squared error is least.

    Parameters
    ----------
    data : Data
        What to fit.
    shapes : sequence of Shape
        The sections.
    sign : float
        Of the response, 1.0 or -1.0.
    start : ndarray, shape (u,)
        Where to begin.
    evaluations : int
        After which to stop at the latest.
    """
    low, high = [], []
    for shape in shapes:
        one_low, one_high = shape.bounds()
        low, high = low + one_low, high + one_high
    low, high = [*low, -20.0, -np.inf, -np.inf], [*high, 20.0, np.inf, np.inf]
    inside = np.clip(start, np.array(low) + 1e-6, np.array(high) - 1e-6)
    problem = _Problem(data, tuple(shapes), sign)
    found = least_squares(
        problem.errors,
        inside,
        problem.slopes,
        bounds=(low, high),
        x_scale="jac",
        max_nfev=evaluations,
        ftol=1e-7,
        xtol=1e-7,
        gtol=1e-9,
    )
    cost = 2.0 * float(found.cost)
    measured = 2.0 * data.worth * len(data.frequency_hz)
    return Solution(tuple(shapes), sign, found.x, cost, found.jac, cost / measured)


def draw(data: Data, solution: Solution, random: np.random.Generator) -> Floats:
    """Draw unknowns that the measurement allows as well.

    The covariance gives the direction; since the problem is not linear, the step is shortened until
    the squared error says that it is as likely as such a draw should be.
    """
    values, axes = np.linalg.eigh(solution.covariance())
    deviates = random.standard_normal(len(values))
    step = axes @ (np.sqrt(np.maximum(values, 0.0)) * deviates)
    allowed = max(1.0, solution.mean_cost) * float(np.dot(deviates, deviates))
    problem = _Problem(data, solution.shapes, solution.sign)
    for _ in range(MOST_HALVINGS):
        errors = problem.errors(solution.unknowns + step)
        if float(np.dot(errors, errors)) <= solution.cost + SLACK * allowed:
            break
        step = 0.7 * step
    return np.asarray(solution.unknowns + step)


@dataclass(frozen=True)
class _Problem:
    data: Data
    shapes: tuple[Shape, ...]
    sign: float

    def errors(self, unknowns: Floats) -> Floats:
        off = (self._model(unknowns) - self.data.response) * self.data.weight
        return np.concatenate([off.real, off.imag, [unknowns[-1] / CLOCK_PRIOR_PPM]])

    def _model(self, unknowns: Floats) -> Complexes:
        model, at = nuisance(self.data, self.sign, unknowns), 0
        for shape in self.shapes:
            inside = np.clip(unknowns[at : at + shape.size], *shape.bounds())
            model = model * shape.response(inside, self.data.s)
            at += shape.size
        return model

    def slopes(self, unknowns: Floats) -> Floats:
        data, model = self.data, self._model(unknowns)
        columns, at = [], 0
        for shape in self.shapes:
            own = unknowns[at : at + shape.size]
            here = shape.response(own, data.s)
            for number in range(shape.size):
                moved = own.copy()
                moved[number] += PROBE
                columns.append(model * (shape.response(moved, data.s) / here - 1.0) / PROBE)
            at += shape.size
        columns += [model, -1j * data.frequency_hz / 1000.0 * model, 1j * data.clock * model]
        weighted = np.stack(columns, axis=1) * data.weight[:, np.newaxis]
        prior = np.zeros((1, len(unknowns)))
        prior[0, -1] = 1.0 / CLOCK_PRIOR_PPM
        return np.concatenate([weighted.real, weighted.imag, prior])
