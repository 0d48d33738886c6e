"""The least squares of a cascade of sections: its slopes, and how little it computes twice."""

import cProfile
import math
import pstats

import numpy as np
import pytest

from carrierfloor.dsp import sections
from carrierfloor.dsp.section_fit import fit
from carrierfloor.dsp.section_problem import NUISANCES, Data, Problem
from carrierfloor.dsp.section_shape import HIGH_PASS_2, LOW_PASS_2, PEAK

SHAPES = (HIGH_PASS_2, PEAK, LOW_PASS_2)
TRUE = [math.log(40.0), 0.2, math.log(900.0), 0.4, 3.0, math.log(6000.0), 0.1]
START = np.array([math.log(60.0), 0.0, math.log(700.0), 0.0, 0.5, math.log(5000.0), 0.0])
NONE = np.zeros(NUISANCES)


@pytest.fixture
def data() -> Data:
    grid = np.geomspace(20.0, 10_000.0, 100)
    empty = Data(grid, np.ones(100, complex), np.full(100, 1e-3), 1e-4 * grid)
    true = Problem(empty, SHAPES, 1.0).at(np.array([*TRUE, *NONE])).model
    return Data(grid, true, empty.noise, empty.clock)


@pytest.mark.parametrize("phase_blind", [False, True])
def test_slopes_are_those_of_the_errors(data: Data, phase_blind: bool) -> None:
    """Against central differences, each unknown moved by 1e-6."""
    problem = Problem(data.magnitude() if phase_blind else data, SHAPES, 1.0)
    here = np.array([*START, 0.1, 0.2, 3.0, 1e-5, -1e-5])
    slopes = problem.slopes(here)
    for number in range(len(here)):
        step = 1e-6 * np.eye(len(here))[number]
        expected = (problem.errors(here + step) - problem.errors(here - step)) / 2e-6
        scale = np.abs(expected).max() + 1.0
        np.testing.assert_allclose(slopes[:, number], expected, atol=1e-4 * scale)


def test_finds_the_sections_and_computes_each_place_once(data: Data) -> None:
    """A place costs one look at each section, and one more at each unknown if it goes on there.

    That is what a search of thousands of fits spends its time on.
    """
    profile = cProfile.Profile()
    found = profile.runcall(fit, data, SHAPES, 1.0, np.array([*START, *NONE]))
    assert found.unknowns[:-NUISANCES] == pytest.approx(TRUE, abs=1e-3)
    calls = pstats.Stats(profile).get_stats_profile().func_profiles
    places = int(calls["at"].ncalls)
    stops = int(calls["slopes_at"].ncalls)
    assert stops <= places
    assert int(calls["coefficients"].ncalls) == 3 * places + 7 * stops


def test_the_six_numbers_are_the_polynomials() -> None:
    """R. Bristow-Johnson's analogue prototypes, H(s) = (s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)."""
    w, a, q = 2.0 * math.pi * 900.0, 10.0 ** (3.0 / 40.0), 1.5
    expected = (1.0, w * a / q, w * w, 1.0, w / (a * q), w * w)
    assert sections.coefficients("peak", 900.0, q, 3.0) == pytest.approx(expected, rel=1e-12)
