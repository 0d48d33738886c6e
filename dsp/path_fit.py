"""The measured response as analogue sections: what stands in the rig file."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path import REFERENCE_HZ, Path
from carrierfloor.dsp.path_model import digital_sections
from carrierfloor.dsp.predicted import LARGEST_MISFIT
from carrierfloor.dsp.section_fit import (
    ALL_PASS_1,
    ALL_PASS_2,
    HIGH_PASS_1,
    HIGH_PASS_2,
    HIGH_SHELF,
    LOW_PASS_1,
    LOW_PASS_2,
    LOW_SHELF,
    NUISANCES,
    PEAK,
    Data,
    Shape,
    Solution,
    draw,
    fit,
    nuisance,
    sections_of,
)
from carrierfloor.dsp.sections import Section, analogue_response
from carrierfloor.dsp.sweep_clock import clock_phase, minimum_phase
from carrierfloor.dsp.sweep_response import SweepResponse

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

WORTH = 15.0  # squared error, in variances, that an unknown must save
MOST_SECTIONS = 8
FEW_SECTIONS = 5  # looked for at first
GOOD_COST, PERFECT_COST = 1.5, 0.5  # per measured number: no search elsewhere; no more sections
FIRST_LOOK, FINISHED = 15, 5  # evaluations of all candidates; how many are then finished
PLAIN_TURN_HZ = (30.0, 12_000.0)
THINNED = 3  # of the grid, at the first look
SIGN_FROM_HZ = 100.0
SPEECH_HZ = (100.0, 5000.0)
BY_CHANCE = 4.0  # of its variance, that the largest of some thirty noise values reaches
SMOOTHED = 9  # cells of a 48th of an octave
LARGEST_ERROR = 0.1
DRAWS, DRAW_SEED = 16, 20


@dataclass(frozen=True, kw_only=True)
class FittedSection:
    """One section and how well it is known."""

    section: Section
    uncertainty: Mapping[str, float]  # standard deviation of corner_hz, centre_hz, gain_db, q


@dataclass(frozen=True, kw_only=True)
class PathFit:
    """Sections fitted to a measured response.

    Attributes
    ----------
    path : Path
        The sections, rounded as they are to be written, ready for the rig file.
    sections : tuple of FittedSection
        The same with their uncertainty.
    polarity : str
        "normal" or "inverted": of the capture against what was played, the detector's included.
    delay_s, clock_ppm : float
        Of the whole measurement, as in SweepResponse, but exact.
    residual_db : float
        Rms of measured minus fitted response over the grid, 0 dB = the gain at 1 kHz.
    worst_error, worst_error_hz : float
        Largest difference where speech is (100 Hz to 5 kHz) beyond what noise explains,
        1.0 = the gain at 1 kHz, and where.
    frequency_hz : ndarray, shape (n,)
        The grid.
    measured, fitted : ndarray of complex, shape (n,)
        Both with magnitude 1 at 1 kHz, polarity, delay and clock drift removed.
    noise : ndarray, shape (n,)
        Standard deviation of ``measured``.
    tolerance_paths : tuple of Path
        Paths drawn at random that the measurement allows as well.
    """

    path: Path
    sections: tuple[FittedSection, ...]
    polarity: str
    delay_s: float
    clock_ppm: float
    residual_db: float
    worst_error: float
    worst_error_hz: float
    frequency_hz: Floats
    measured: Complexes
    fitted: Complexes
    noise: Floats
    tolerance_paths: tuple[Path, ...]


def fit_path(response: SweepResponse, name: str) -> PathFit:
    """Fit analogue sections to a measured response.

    Begins with the high-pass and the low-pass that the magnitude suggests, adds the section that
    helps most as long as one helps more than noise could, and leaves away again what is not
    missed.

    Parameters
    ----------
    response : SweepResponse
        From :func:`measure_response`.
    name : str
        Of the path.

    Raises
    ------
    SettingError
        If no set of sections that the limiter can hold comes near.
    """
    data = Data(
        frequency_hz=response.frequency_hz,
        response=response.response,
        noise=np.hypot(response.noise, _bent(response)),
        clock=clock_phase(response.frequency_hz, response.sweep),
    )
    solution, path = _best_that_the_limiter_holds(_searched(data), name)
    return _report(data, solution, path, response)


def _searched(data: Data) -> list[Solution]:
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
    return [_pruned(data, fit(data, one.shapes, one.sign, one.unknowns)) for one in stages[-2:]]


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


def _bent(response: SweepResponse) -> Floats:
    """Return how far third-order distortion may bend the response, shape (n,).

    It adds three times its third harmonic to the fundamental, more where the signal is larger, so
    the response at one depth is not quite linear.
    """
    third = [one for one in response.harmonics if one.order == 3]
    if not third:
        return np.zeros(len(response.frequency_hz))
    near = np.interp(math.log(REFERENCE_HZ), np.log(third[0].frequency_hz), np.abs(third[0].ratio))
    size = np.abs(response.response)
    return np.asarray(0.5 * 3.0 * float(near) * np.abs(1.0 - np.minimum(size, 1.0) ** 2) * size)


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
    begun = [fit(data, *start, evaluations=FIRST_LOOK) for start in _with_one_more(data, solution)]
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


def _best_that_the_limiter_holds(solutions: list[Solution], name: str) -> tuple[Solution, Path]:
    for solution in reversed(solutions):
        path = Path(name=name, sections=_rounded(solution.sections))
        if digital_sections(path)[1] <= LARGEST_MISFIT:
            return solution, path
    raise SettingError(
        f"path {name!r}: none of the sets of sections that fit can be held by the limiter; is the "
        "capture really that of a transmitter?"
    )


def _rounded(sections: tuple[Section, ...]) -> tuple[Section, ...]:
    """Round to what is worth writing, lowest frequency first."""

    def digits(value: float | None, count: int) -> float | None:
        return None if value is None else float(f"{value:.{count}g}")

    rows = [
        Section(
            kind=one.kind,
            corner_hz=digits(one.corner_hz, 5),
            centre_hz=digits(one.centre_hz, 5),
            gain_db=None if one.gain_db is None else round(one.gain_db, 3),
            q=digits(one.q, 4),
        )
        for one in sections
    ]
    return tuple(sorted(rows, key=lambda row: row.frequency_hz))


def _report(data: Data, solution: Solution, path: Path, response: SweepResponse) -> PathFit:
    f = data.frequency_hz
    own = analogue_response(path.sections, f)
    factor = _closest_nuisance(data, solution, own)
    at_1_khz = abs(analogue_response(path.sections, np.array([REFERENCE_HZ]))[0])
    measured, fitted = data.response / factor / at_1_khz, own / at_1_khz
    noise = data.noise / np.abs(factor) / at_1_khz
    off = measured - fitted
    worst, worst_hz = _worst(f, off, noise)
    if worst > LARGEST_ERROR:
        raise SettingError(
            f"path {path.name!r}: no set of sections comes near the measured response; the best "
            f"is {100.0 * worst:.0f} % off at {worst_hz:.0f} Hz (allowed {100 * LARGEST_ERROR:g} %)"
        )
    delay_s = response.delay_s + float(solution.unknowns[-2]) / (2000.0 * math.pi)
    return PathFit(
        path=path,
        sections=_with_uncertainty(solution),
        polarity="normal" if solution.sign > 0.0 else "inverted",
        delay_s=delay_s,
        clock_ppm=response.clock_ppm + float(solution.unknowns[-1]),
        residual_db=10.0 * math.log10(float(np.mean(np.abs(off) ** 2)) + 1e-30),
        worst_error=worst,
        worst_error_hz=worst_hz,
        frequency_hz=f,
        measured=measured,
        fitted=fitted,
        noise=noise,
        tolerance_paths=_draws(data, solution, path.name),
    )


def _closest_nuisance(data: Data, solution: Solution, own: Complexes) -> Complexes:
    """Return the factor of gain, delay and clock, the gain adapted to the rounded sections."""
    factor = nuisance(data, solution.sign, solution.unknowns)
    weight = data.weight**2
    model = own * factor
    gain = np.sum(weight * (data.response * model.conj()).real) / np.sum(
        weight * np.abs(model) ** 2
    )
    return np.asarray(factor * gain)


def _worst(frequency_hz: Floats, off: Complexes, noise: Floats) -> tuple[float, float]:
    """Return the largest smoothed error where speech is, beyond what noise explains."""
    smooth = np.convolve(off, np.ones(SMOOTHED) / SMOOTHED, "same")
    left = np.convolve(noise**2, np.ones(SMOOTHED) / SMOOTHED**2, "same")
    error = np.sqrt(np.maximum(np.abs(smooth) ** 2 - BY_CHANCE * left, 0.0))
    error[(frequency_hz < SPEECH_HZ[0]) | (frequency_hz > SPEECH_HZ[1])] = 0.0
    at = int(np.argmax(error))
    return float(error[at]), float(frequency_hz[at])


def _with_uncertainty(solution: Solution) -> tuple[FittedSection, ...]:
    deviations = np.sqrt(np.maximum(np.diag(solution.covariance()), 0.0))
    found, at = [], 0
    for shape, section in zip(solution.shapes, solution.sections, strict=True):
        own = list(map(float, deviations[at : at + shape.size]))
        at += shape.size
        place = "centre_hz" if shape.kind == "peak" else "corner_hz"
        known = {place: section.frequency_hz * own.pop(0)}
        if section.q is not None:
            known["q"] = section.q * own.pop(0)
        if section.gain_db is not None:
            known["gain_db"] = own.pop(0)
        found.append(FittedSection(section=_rounded((section,))[0], uncertainty=known))
    return tuple(sorted(found, key=lambda one: one.section.frequency_hz))


def _draws(data: Data, solution: Solution, name: str) -> tuple[Path, ...]:
    """Draw paths that the measurement allows as well."""
    random = np.random.default_rng(DRAW_SEED)
    return tuple(
        Path(
            name=f"{name}, possible {number}",
            sections=sections_of(solution.shapes, draw(data, solution, random)),
        )
        for number in range(1, DRAWS + 1)
    )
