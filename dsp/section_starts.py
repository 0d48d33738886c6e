"""First guesses for the search of sections: corners from the magnitude, the rest from the phase.

High-passes, low-passes, peaks and shelves have least phase for their magnitude, so they are found
from the magnitude alone.  What they leave of the phase is sign, delay, clock drift, and all-passes.
"""

import math
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.section_problem import NUISANCES, Data, Solution
from carrierfloor.dsp.section_shape import (
    ALL_PASS_1,
    ALL_PASS_2,
    HIGH_PASS_1,
    HIGH_PASS_2,
    HIGH_SHELF,
    LOW_PASS_1,
    LOW_PASS_2,
    LOW_SHELF,
    Shape,
)

Floats = NDArray[np.float64]
Start = tuple[tuple[Shape, ...], float, Floats]  # shapes, sign and unknowns, as fit() takes them

TURNS_HZ = np.geomspace(41.0, 6900.0, 40)
MOST_WEIGHT = 300.0  # of a phase: the sections that are taken out are no more exact
TURN_QUALITIES = (0.5, 0.7, 1.0, 1.5)


class Turn(NamedTuple):
    """How phase that is not minimum phase may be explained."""

    shapes: tuple[Shape, ...]  # all-passes
    unknowns: tuple[float, ...]  # theirs
    sign: float
    delay: float  # in units of 1 / (2 pi kHz)
    drift: float  # ppm
    error: float  # rms, rad


def starts(data: Data) -> list[Start]:
    """Return first guesses for a fit of the magnitude alone."""
    magnitude = np.abs(data.response)
    reference = float(np.median(magnitude))
    passed = data.frequency_hz[magnitude > reference / math.sqrt(2.0)]
    low, high = math.log(float(passed[0]) / 1.3), math.log(float(passed[-1]) * 1.1)
    edges = list(map(float, np.log(data.frequency_hz[[0, -1]])))
    middling = math.log(0.7)
    guesses: list[tuple[tuple[Shape, ...], list[float]]] = [
        ((HIGH_PASS_2, LOW_PASS_2), [low, middling, high, middling]),
        ((HIGH_PASS_1, LOW_PASS_2), [low, high, middling]),
        ((HIGH_PASS_1, HIGH_PASS_2, LOW_PASS_2), [low - 0.7, low, 0.0, high, middling]),
        ((HIGH_PASS_1, LOW_PASS_1), [edges[0], edges[1]]),
        (
            (HIGH_PASS_1, LOW_SHELF, HIGH_SHELF, LOW_PASS_2),
            [edges[0], 5.3, middling, 0.0, 7.6, middling, 0.0, high, middling],
        ),
    ]
    end = [math.log(reference), *[0.0] * (NUISANCES - 1)]
    return [(shapes, 1.0, np.array([*unknowns, *end])) for shapes, unknowns in guesses]


def with_phase(data: Data, solution: Solution) -> list[Start]:
    """Return starts for the whole response from a fit of its magnitude.

    What its sections leave of the phase is sign, delay and drift, or an all-pass as well.
    """
    own = np.ones(len(data.frequency_hz), dtype=complex)
    at = 0
    for shape in solution.shapes:
        top, bottom = shape.polynomials(solution.unknowns[at : at + shape.size]) @ data.powers
        own, at = own * top / bottom, at + shape.size
    phase = np.unwrap(np.angle(data.response / own))
    gain, _, _, *bent = solution.unknowns[-NUISANCES:]
    begun = []
    for turn in _turns(data, phase):
        unknowns = [*solution.unknowns[:at], *turn.unknowns, gain, turn.delay, turn.drift, *bent]
        begun.append(((*solution.shapes, *turn.shapes), turn.sign, np.array(unknowns)))
    return begun


def _turns(data: Data, phase: Floats) -> list[Turn]:
    """Return the best explanations of a phase: without all-pass, and with one."""
    corners = [(math.log(hz),) for hz in TURNS_HZ]
    qualities = [(math.log(hz), math.log(q)) for hz, q in product(TURNS_HZ, TURN_QUALITIES)]
    choices = [
        [_turn(data, phase, (), ())],
        [_turn(data, phase, (ALL_PASS_1,), one) for one in corners],
        [_turn(data, phase, (ALL_PASS_2,), one) for one in qualities],
    ]
    return [min(choice, key=lambda turn: turn.error) for choice in choices]


def _turn(
    data: Data, phase: Floats, shapes: tuple[Shape, ...], unknowns: tuple[float, ...]
) -> Turn:
    for shape in shapes:
        top, bottom = shape.polynomials(np.array(unknowns)) @ data.powers
        phase = phase - np.unwrap(np.angle(top / bottom))
    columns = np.stack([np.ones(len(phase)), -data.frequency_hz / 1000.0, data.clock], axis=1)
    weight = np.minimum(np.abs(data.response) * data.weight, MOST_WEIGHT)
    found = np.linalg.lstsq(columns * weight[:, np.newaxis], phase * weight)[0]
    error = float(np.sqrt(np.mean(((columns @ found - phase) * weight) ** 2)))
    sign = 1.0 if math.cos(found[0]) >= 0.0 else -1.0
    return Turn(shapes, unknowns, sign, float(found[1]), float(found[2]), error)
