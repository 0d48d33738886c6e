"""Find which sections a measured response is made of.

Begins with the high-pass and the low-pass that the magnitude suggests, adds the section that helps
most as long as one helps more than noise could, and leaves away again what is not missed: first
for the magnitude alone, then for the whole response.
"""

import math

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.misfit import LARGEST_ERROR, SMOOTHED, worst_misfit
from carrierfloor.dsp.section_fit import fit, polished
from carrierfloor.dsp.section_problem import NUISANCES, Data, Problem, Solution
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
from carrierfloor.dsp.section_starts import starts, with_phase

Floats = NDArray[np.float64]

WORTH = 15.0  # squared error, in variances, that an unknown must save
MOST_SECTIONS = 8
SIMPLE = 4  # sections that surely are the simplest way
FEW_SECTIONS = 6  # looked for at first
# Per measured number: no search elsewhere; no more sections.
GOOD_COST, PERFECT_COST = 1.5, 0.5
FIRST_LOOK, FINISHED = 15, 5  # steps of all candidates; how many are then finished
MOST_EXCHANGES = 3
# Times the error that is allowed, before sections are exchanged.  Of 230 searches for circuits of
# up to 11 sections of any kind, none that succeeded in the end was beyond 2.8 times here.
HOPELESS = 10.0
TRIED = 3  # solutions for the magnitude that are tried with the phase
THINNED = 3  # of the grid, at the first look
ONE_POLE = {HIGH_PASS_2: HIGH_PASS_1, LOW_PASS_2: LOW_PASS_1}


def searched(data: Data) -> list[Solution]:
    """Return solutions of more and more sections, the best last."""
    thin = data.thinned(THINNED)
    by_magnitude = _by_magnitude(thin.magnitude())
    begun = [fit(thin, *start) for one in by_magnitude[-TRIED:] for start in with_phase(thin, one)]
    stages: list[Solution] = []
    for start in _best_of_each_turn(begun):
        grown = _grown(thin, start, MOST_SECTIONS)
        if not stages or _score(grown[-1]) < _score(stages[-1]):
            stages = grown
        if stages[-1].mean_cost < GOOD_COST:
            break
    else:
        if not is_hopeless(thin, stages[-1]):
            stages += _grown(thin, _mended(thin, stages[-1]), MOST_SECTIONS)
    again = [fit(data, one.shapes, one.sign, one.unknowns) for one in stages[-2:]]
    return [polished(data, _halved(data, _pruned(data, one))) for one in again]


def is_hopeless(thin: Data, solution: Solution) -> bool:
    """Tell whether a fit is so far off that a search from there would be in vain.

    Such a response is none of a transmitter: sound was lost in the capture, or an echo is in it.

    Parameters
    ----------
    thin : Data
        Every third cell of the grid.
    solution : Solution
        The best so far.
    """
    model = Problem(thin, solution.shapes, solution.sign).at(solution.unknowns).model
    off = thin.response - model
    worst, _ = worst_misfit(thin.frequency_hz, off, thin.noise, SMOOTHED // THINNED)
    return worst > HOPELESS * LARGEST_ERROR


def _best_of_each_turn(begun: list[Solution]) -> list[Solution]:
    """Return the best without all-pass, with a first-order and a second-order one; best first."""
    best: dict[tuple[Shape, ...], Solution] = {}
    for one in sorted(begun, key=_score):
        best.setdefault(tuple(shape for shape in one.shapes if shape.kind == "allpass"), one)
    return list(best.values())


def _by_magnitude(data: Data) -> list[Solution]:
    """Return solutions for the magnitude alone, which knows no sign, no delay and no drift.

    A search can end in a corner: many sections that mend each other.  It then begins anew.
    """
    stages: list[Solution] = []
    for start in sorted((fit(data, *start) for start in starts(data)), key=_score):
        grown = _grown(data, start, FEW_SECTIONS)
        if not stages or _score(grown[-1]) < _score(stages[-1]):
            stages = grown
        if stages[-1].mean_cost < GOOD_COST and len(stages[-1].shapes) <= SIMPLE:
            break
    if stages[-1].mean_cost < GOOD_COST:
        return stages
    stages.append(_mended(data, stages[-1]))
    return stages + _grown(data, stages[-1], MOST_SECTIONS)


def _grown(data: Data, start: Solution, most: int) -> list[Solution]:
    """Add sections one by one as long as that is worth it."""
    stages = [_pruned(data, start)]
    while len(stages[-1].shapes) < most and stages[-1].mean_cost > PERFECT_COST:
        best = _added(data, stages[-1])
        if _score(best) >= _score(stages[-1]):
            break
        stages.append(_pruned(data, best))
    return stages


def _mended(data: Data, solution: Solution) -> Solution:
    """Exchange one section for another as long as that helps."""
    for _ in range(MOST_EXCHANGES):
        if solution.mean_cost < GOOD_COST:
            break
        others = [
            _added(data, _without(data, solution, number)) for number in range(len(solution.shapes))
        ]
        best = min(others, key=_score, default=solution)
        if _score(best) >= _score(solution):
            break
        solution = best
    return _pruned(data, solution)


def _score(solution: Solution) -> float:
    """Return the squared error, and what its unknowns must be worth."""
    return solution.cost + WORTH * len(solution.unknowns)


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
    for at in map(float, across):
        more += [(PEAK, [at, 0.0, 0.3], 1.0), (PEAK, [at, 1.1, 0.3], 1.0)]
    for at in map(float, across[::2]):
        more += [(LOW_SHELF, [at, -0.35, 0.3], 1.0), (HIGH_SHELF, [at, -0.35, 0.3], 1.0)]
    if not data.phase_blind:
        more += _all_passes(across)
    return [
        ((*solution.shapes, shape), sign * solution.sign, _inserted(solution, unknowns))
        for shape, unknowns, sign in more
    ]


def _all_passes(across: Floats) -> list[tuple[Shape, list[float], float]]:
    more: list[tuple[Shape, list[float], float]] = []
    for at in map(float, across):
        more += [(ALL_PASS_1, [at], 1.0), (ALL_PASS_1, [at], -1.0), (ALL_PASS_2, [at, 0.0], 1.0)]
    return more


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


def _halved(data: Data, solution: Solution) -> Solution:
    """Have one pole for two real ones, of which the other lies beyond the band.

    Not before the end: while sections are still added, two poles may yet become a pair.
    """
    for number, shape in enumerate(solution.shapes):
        if shape not in ONE_POLE:
            continue
        own = _unknowns_of(solution, number)
        ln_frequency, ln_q = solution.unknowns[own]
        if ln_q > math.log(0.5):
            continue
        apart = math.acosh(0.5 * math.exp(-ln_q))  # ln of either pole over the frequency
        into_band = -apart if shape == LOW_PASS_2 else apart
        before, behind = solution.unknowns[: own.start], solution.unknowns[own.stop :]
        start = np.concatenate([before, [ln_frequency + into_band], behind])
        shapes = (*solution.shapes[:number], ONE_POLE[shape], *solution.shapes[number + 1 :])
        halved = fit(data, shapes, solution.sign, start)
        if _score(halved) <= _score(solution):
            solution = halved
    return solution


def _without(data: Data, solution: Solution, number: int) -> Solution:
    own = _unknowns_of(solution, number)
    start = np.delete(solution.unknowns, own)
    shapes = solution.shapes[:number] + solution.shapes[number + 1 :]
    return fit(data, shapes, solution.sign, start)


def _unknowns_of(solution: Solution, number: int) -> slice:
    sizes = np.cumsum([0, *(shape.size for shape in solution.shapes)])
    return slice(int(sizes[number]), int(sizes[number + 1]))
