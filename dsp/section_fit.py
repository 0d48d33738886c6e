"""Least squares of a cascade of analogue sections against a measured complex response."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.section_problem import NUISANCES, Data, Problem, Solution
from carrierfloor.dsp.section_shape import Shape

Floats = NDArray[np.float64]

LONGEST_STEP = 1.0  # of an unknown at once: a factor of e, or a dB
DAMPING, MOST_DAMPING = 1e-3, 1e9
CONVERGED = 1e-7  # part of the squared error that a step must gain
MOST_STEPS = 80
MOST_HALVINGS, SLACK = 40, 1.2


def fit(
    data: Data, shapes: Sequence[Shape], sign: float, start: Floats, *, steps: int = MOST_STEPS
) -> Solution:
    """Move all unknowns until the weighted squared error is least, or nearly so.

    Levenberg and Marquardt's method, with the unknowns kept within the bounds of the shapes; made
    for many short searches.  :func:`polished` gives the last word to scipy.

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
    steps : int
        After which to stop at the latest.
    """
    problem = Problem(data, tuple(shapes), sign)
    low, high = problem.bounds
    here = np.clip(start, low, high)
    point = problem.at(here)
    errors, slopes = problem.errors_at(point), problem.slopes_at(point)
    cost, damping = float(errors @ errors), DAMPING
    around = _normal(errors, slopes, (here <= low, here >= high))
    for _ in range(steps):
        there = np.clip(here + _step(around, damping), low, high)
        point = problem.at(there)
        trial = problem.errors_at(point)
        trial_cost = float(trial @ trial)
        if not trial_cost < cost:
            damping *= 6.0
            if damping > MOST_DAMPING:
                break
            continue
        gained, here, errors, cost = cost - trial_cost, there, trial, trial_cost
        slopes, damping = problem.slopes_at(point), max(damping / 5.0, 1e-10)
        if gained < CONVERGED * cost:
            break
        around = _normal(errors, slopes, (here <= low, here >= high))
    return problem.solution(here, cost, slopes)


class _Normal(NamedTuple):
    """The normal equations at one place, whatever the damping."""

    gradient: Floats
    free: NDArray[np.bool_]  # unknowns that no bound holds
    matrix: Floats  # of the free ones
    diagonal: Floats


def _normal(
    errors: Floats, slopes: Floats, at_bounds: tuple[NDArray[np.bool_], NDArray[np.bool_]]
) -> _Normal:
    gradient = slopes.T @ errors
    free = ~((at_bounds[0] & (gradient > 0.0)) | (at_bounds[1] & (gradient < 0.0)))
    own = slopes[:, free]
    matrix = own.T @ own
    return _Normal(gradient, free, matrix, matrix.diagonal())


def _step(around: _Normal, damping: float) -> Floats:
    diagonal = around.diagonal
    matrix = around.matrix.copy()
    matrix.flat[:: len(matrix) + 1] += damping * diagonal + 1e-12 * (
        diagonal.max(initial=0.0) + 1e-30
    )
    step = np.zeros(len(around.gradient))
    step[around.free] = -np.linalg.solve(matrix, around.gradient[around.free])
    longest = float(np.abs(step[:-NUISANCES]).max(initial=0.0))
    return step * min(1.0, LONGEST_STEP / longest) if longest > 0.0 else step


def polished(data: Data, solution: Solution) -> Solution:
    """Go on from a solution with scipy.optimize.least_squares until nothing moves any more."""
    from scipy.optimize import least_squares

    problem = Problem(data, solution.shapes, solution.sign)
    low, high = problem.bounds
    start = np.clip(solution.unknowns, low + 1e-9, high - 1e-9)
    found = least_squares(
        problem.errors, start, problem.slopes, bounds=(low, high), x_scale="jac", max_nfev=100
    )
    return problem.solution(found.x, 2.0 * float(found.cost), found.jac)


def draw(data: Data, solution: Solution, random: np.random.Generator) -> Floats:
    """Draw unknowns that the measurement allows as well.

    The covariance gives the direction; since the problem is not linear, the step is shortened until
    the squared error says that it is as likely as such a draw should be.
    """
    values, axes = np.linalg.eigh(solution.covariance())
    deviates = random.standard_normal(len(values))
    step = axes @ (np.sqrt(np.maximum(values, 0.0)) * deviates)
    allowed = max(1.0, solution.mean_cost) * float(np.dot(deviates, deviates))
    problem = Problem(data, solution.shapes, solution.sign)
    for _ in range(MOST_HALVINGS):
        errors = problem.errors(solution.unknowns + step)
        if float(np.dot(errors, errors)) <= solution.cost + SLACK * allowed:
            break
        step = 0.7 * step
    return np.asarray(solution.unknowns + step)
