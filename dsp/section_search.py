"""Find which sections a measured response is made of.

Begins with the high-pass and the low-pass that the magnitude suggests, adds the section that helps
most as long as one helps more than noise could, and leaves away again what is not missed.
"""

import math

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.section_fit import NUISANCES, Data, Solution, fit, polished
from carrierfloor.dsp.section_shape import (
    ALL_PASS_1,
    ALL_PASS_2,
    HIGH_PASS_1,
    HIGH_PASS_2,
    HIGH_SHELF,
    LOW_PASS_1,
    LOW_PASS_2,
    LOW_SHELF,
    PEAK,
    Shape,
)
from carrierfloor.dsp.sweep_clock import minimum_phase

Floats = NDArray[np.float64]

WORTH = 15.0  # squared error, in variances, that an unknown must save
MOST_SECTIONS = 8
FEW_SECTIONS = 5  # looked for at first
GOOD_COST, PERFECT_COST = 1.5, 0.5  # per measured number: no search elsewhere; no more sections
FIRST_LOOK, FINISHED = 15, 5  # steps of all candidates; how many are then finished
PLAIN_TURN_HZ = (30.0, 12_000.0)
THINNED = 3  # of the grid, at the first look
SIGN_FROM_HZ = 100.0


def searched(data: Data) -> list[Solution]:
    """Return solutions of more and more sections, the best last.

    A search can end in a corner: many sections that mend each other.  Then it begins anew from
    elsewhere, with the other sign as well.
    """
    thin = data.thinned(THINNED)
    stages: list[Solution] = []
    for start in _in_turn([fit(thin, *start) for start in _starts(data)]):
        grown = _grown(thin, start, FEW_SECTIONS)
        if not stages or _score(grown[-1]) < _score(stages[-1]):
            stages = grown
        if _is_plain(stages[-1]):
            break
    else:
        stages += _grown(thin, stages[-1], MOST_SECTIONS)
    again = [fit(data, one.shapes, one.sign, one.unknowns) for one in stages[-2:]]
    return [polished(data, _pruned(data, one)) for one in again]


def _in_turn(begun: list[Solution]) -> list[Solution]:
    """Return the better sign of each make, best first, and then the best of the other sign."""
    begun = sorted(begun, key=_score)
    first = [
        one for at, one in enumerate(begun) if one.shapes not in [b.shapes for b in begun[:at]]
    ]
    return first + [one for one in begun if one.sign != begun[0].sign and one not in first][:1]


def _is_plain(solution: Solution) -> bool:
    # A high all-pass is a delay, a low one turns the sign: both should be found without.
    odd = any(
        one.kind == "allpass" and not PLAIN_TURN_HZ[0] < one.frequency_hz < PLAIN_TURN_HZ[1]
        for one in solution.sections
    )
    return not odd and solution.mean_cost < GOOD_COST


def _grown(data: Data, start: Solution, most: int) -> list[Solution]:
    """Add sections one by one as long as that is worth it."""
    stages = [_pruned(data, start)]
    while len(stages[-1].shapes) < most and stages[-1].mean_cost > PERFECT_COST:
        best = _added(data, stages[-1])
        if _score(best) >= _score(stages[-1]):
            break
        stages.append(_pruned(data, best))
    return stages


def _score(solution: Solution) -> float:
    """Return the squared error, and what its unknowns must be worth."""
    return solution.cost + WORTH * len(solution.unknowns)


def _starts(data: Data) -> list[tuple[tuple[Shape, ...], float, Floats]]:
    """Return first guesses: corners from the magnitude, sign and delay from the phase."""
    magnitude = np.abs(data.response)
    reference = float(np.median(magnitude))
    passed = data.frequency_hz[magnitude > reference / math.sqrt(2.0)]
    low, high = math.log(float(passed[0]) / 1.3), math.log(float(passed[-1]) * 1.1)
    edges = list(map(float, np.log(data.frequency_hz[[0, -1]])))
    sign, delay = _sign_and_delay(data)
    end = [math.log(reference), delay, 0.0]
    middling = math.log(0.7)
    guesses = [
        ((HIGH_PASS_2, LOW_PASS_2), [low, middling, high, middling]),
        ((HIGH_PASS_1, LOW_PASS_2), [low, high, middling]),
        ((HIGH_PASS_1, HIGH_PASS_2, LOW_PASS_2), [low - 0.7, low, 0.0, high, middling]),
        ((HIGH_PASS_1, LOW_PASS_1), [edges[0], edges[1]]),
        (
            (HIGH_PASS_1, LOW_SHELF, HIGH_SHELF, LOW_PASS_2),
            [edges[0], 5.3, middling, 0.0, 7.6, middling, 0.0, high, middling],
        ),
    ]
    return [
        (shapes, turned, np.array([*unknowns, *end]))
        for shapes, unknowns in guesses
        for turned in (sign, -sign)
    ]


def _sign_and_delay(data: Data) -> tuple[float, float]:
    """Compare the phase with that of minimum phase."""
    phase = np.unwrap(np.angle(data.response)) - minimum_phase(
        data.frequency_hz, np.abs(data.response)
    )
    columns = np.stack([np.ones(len(phase)), -data.frequency_hz / 1000.0], axis=1)
    weight = np.abs(data.response) * (data.frequency_hz > SIGN_FROM_HZ)
    turn, delay = np.linalg.lstsq(columns * weight[:, np.newaxis], phase * weight)[0]
    return (1.0 if math.cos(turn) >= 0.0 else -1.0), float(delay)


def _with_one_more(data: Data, solution: Solution) -> list[tuple[tuple[Shape, ...], float, Floats]]:
    """Return starts with another section, which at first does little."""
    low, high = math.log(data.frequency_hz[0]), math.log(data.frequency_hz[-1])
    across = np.linspace(low, high, 7)[1:-1]
    more: list[tuple[Shape, list[float], float]] = [
        (HIGH_PASS_1, [low - 2.0], 1.0),
        (HIGH_PASS_2, [low - 1.0, -0.35], 1.0),
        (LOW_PASS_1, [high + 0.7], 1.0),
        (LOW_PASS_1, [high - 0.7], 1.0),
        (LOW_PASS_2, [high + 0.4, -0.35], 1.0),
    ]
    for at in (math.log(16.0), math.log(19_000.0)):
        more += [(ALL_PASS_1, [at], 1.0), (ALL_PASS_1, [at], -1.0), (ALL_PASS_2, [at, -0.35], 1.0)]
    for at in map(float, across):
        more += [(PEAK, [at, 0.0, 0.3], 1.0), (PEAK, [at, 1.1, 0.3], 1.0)]
        more += [(ALL_PASS_1, [at], 1.0), (ALL_PASS_1, [at], -1.0), (ALL_PASS_2, [at, 0.0], 1.0)]
    for at in map(float, across[::2]):
        more += [(LOW_SHELF, [at, -0.35, 0.3], 1.0), (HIGH_SHELF, [at, -0.35, 0.3], 1.0)]
    return [
        ((*solution.shapes, shape), sign * solution.sign, _inserted(solution, unknowns))
        for shape, unknowns, sign in more
    ]


def _inserted(solution: Solution, unknowns: list[float]) -> Floats:
    return np.insert(solution.unknowns, len(solution.unknowns) - NUISANCES, unknowns)


def _added(data: Data, solution: Solution) -> Solution:
    """Return the best solution with one more section: all are begun, the best are finished."""
    begun = [fit(data, *start, steps=FIRST_LOOK) for start in _with_one_more(data, solution)]
    begun.sort(key=_score)
    return min(
        (fit(data, one.shapes, one.sign, one.unknowns) for one in begun[:FINISHED]), key=_score
    )


def _pruned(data: Data, solution: Solution) -> Solution:
    """Leave away sections as long as that is worth more than it costs."""
    while solution.shapes:
        best = min((_without(data, solution, n) for n in range(len(solution.shapes))), key=_score)
        if _score(best) > _score(solution):
            return solution
        solution = best
    return solution


def _without(data: Data, solution: Solution, number: int) -> Solution:
    sizes = np.cumsum([0, *(shape.size for shape in solution.shapes)])
    start = np.delete(solution.unknowns, np.arange(sizes[number], sizes[number + 1]))
    shapes = solution.shapes[:number] + solution.shapes[number + 1 :]
    return fit(data, shapes, solution.sign, start)
