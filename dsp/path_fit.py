"""The measured response as analogue sections: what stands in the rig file."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.misfit import LARGEST_ERROR, worst_misfit
from carrierfloor.dsp.path import REFERENCE_HZ, Path
from carrierfloor.dsp.path_model import digital_sections
from carrierfloor.dsp.predicted import LARGEST_MISFIT
from carrierfloor.dsp.section_fit import draw
from carrierfloor.dsp.section_problem import DELAY, DRIFT, Data, Solution, nuisance
from carrierfloor.dsp.section_search import searched
from carrierfloor.dsp.section_shape import sections_of
from carrierfloor.dsp.sections import Section, analogue_response
from carrierfloor.dsp.sweep_clock import clock_phase
from carrierfloor.dsp.sweep_response import SweepResponse

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

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
        noise=response.noise,
        third=_third_harmonic(response),
        clock=clock_phase(response.frequency_hz, response.sweep),
    )
    solution, path = _best_that_the_limiter_holds(searched(data), name)
    return _report(data, solution, path, response)


def _third_harmonic(response: SweepResponse) -> float:
    """Return it over the fundamental at 1 kHz, 0 if the sweep does not tell."""
    third = [one for one in response.harmonics if one.order == 3]
    if not third:
        return 0.0
    x, known = math.log(REFERENCE_HZ), np.log(third[0].frequency_hz)
    return float(np.interp(x, known, np.abs(third[0].ratio)))


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
    worst, worst_hz = worst_misfit(f, off, noise)
    delay_s = response.delay_s + float(solution.unknowns[DELAY]) / (2000.0 * math.pi)
    if worst > LARGEST_ERROR:
        sweep = response.sweep.sweep
        at_s = delay_s + sweep.time_constant_s * math.log(worst_hz / sweep.lowest_hz)
        raise SettingError(
            f"path {path.name!r}: no set of sections comes near the measured response; the best "
            f"is {100.0 * worst:.0f} % off at {worst_hz:.0f} Hz (allowed {100 * LARGEST_ERROR:g} "
            f"%); listen to the capture around {at_s:.1f} s: if sound was lost there, or an echo "
            "or another sound is in it, record it anew"
        )
    return PathFit(
        path=path,
        sections=_with_uncertainty(solution),
        polarity="normal" if solution.sign > 0.0 else "inverted",
        delay_s=delay_s,
        clock_ppm=response.clock_ppm + float(solution.unknowns[DRIFT]),
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
