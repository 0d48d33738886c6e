"""The path as digital sections: fitted to the analogue response, not warped onto it.

A bilinear section at 48 kHz strays from its analogue prototype near the top of the speech band,
enough to take a 95 % limit to 96.5 % at the real antenna.  So the sections are fitted to the
analogue response by least squares (Levenberg-Marquardt), with one extra unknown: a constant
delay, which moves no peak.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.biquad import digital_response
from carrierfloor.dsp.path import REFERENCE_HZ, Path
from carrierfloor.dsp.sections import Section, analogue_response
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LOWEST_HZ = 5.0
HIGHEST_HZ = 8000.0  # above the stop-band edge of the limiter's guard filter
LOW_SECTION_HZ = 500.0  # sections below this are exact enough in their poles
GOOD_ERROR = 5e-5  # of the unity gain at 1 kHz; a better fit is not worth another section
MOST_EXTRA_SECTIONS = 2
HIGHEST_MATCHED_HZ = 12_000.0
SMALLEST_GAIN_DB = 1e-4  # of a peak or shelf; less changes the response by less than 1.2e-5
# Of the sections that are fitted, none of which rings longer: one with nothing to do, such as a
# peak of 0 dB, could end with a pole on the unit circle, hidden by a zero, and never ring out.
LARGEST_POLE = 0.9998
# Where an additional section starts: it passes (nearly) all and can be moved, at either end.
EXTRA_SECTIONS = ([1.0, -0.2, 0.0, -0.2, 0.0], [1.0, 0.5, 0.0, 0.5, 0.0])


class _Fit(NamedTuple):
    rows: Floats  # all sections
    delay: float  # in samples
    error: float  # the largest


@lru_cache(maxsize=64)
def digital_sections(path: Path) -> tuple[Floats, float]:
    """Fit second-order sections at 48 kHz to a path; a second or so the first time.

    Parameters
    ----------
    path : Path
        The analogue path, unity gain at 1 kHz.

    Returns
    -------
    sections : ndarray, shape (n, 5)
        Rows of b0, b1, b2, a1, a2; not to be changed.
    worst_error : float
        Largest error of the complex response from 5 Hz to 8 kHz after removing the fitted delay;
        1.0 is the gain at 1 kHz.
    """
    kept = [section for section in path.sections if _does_something(section)]
    if not kept:
        return np.zeros((0, 5)), 0.0
    frequency_hz = np.concatenate(
        [np.geomspace(LOWEST_HZ, 300.0, 60), np.linspace(310.0, HIGHEST_HZ, 200)]
    )
    target = path.response(frequency_hz)
    rows = np.array([_matched_section(section) for section in kept])
    free = np.array([section.frequency_hz >= LOW_SECTION_HZ for section in kept])
    rows[-1, :3] *= _gain_at_reference(rows, frequency_hz, target)
    best = _fit(rows, free, 0.0, frequency_hz, target)
    for _ in range(MOST_EXTRA_SECTIONS):
        free, before = np.append(free, True), best
        for start in EXTRA_SECTIONS:
            if best.error < GOOD_ERROR:
                return best.rows, best.error
            more = np.vstack([before.rows, start])
            best = min(best, _fit(more, free, before.delay, frequency_hz, target), key=_misfit)
        if best is before:
            break
    return best.rows, best.error


def _does_something(section: Section) -> bool:
    """Tell apart the section that nothing could be fitted to: a peak or shelf of 0 dB."""
    return section.gain_db is None or abs(section.gain_db) > SMALLEST_GAIN_DB


def _matched_section(section: Section) -> Floats:
    """Map the poles and zeros of one analogue section by z = exp(s/fs), the starting point."""
    if section.frequency_hz > HIGHEST_MATCHED_HZ:
        # Its poles would wrap around; up to 8 kHz its response is smooth, and the fit finds it.
        return np.array(EXTRA_SECTIONS[0])
    numerator, denominator = section.analogue()
    zeros = np.exp(np.roots(numerator) / SAMPLE_RATE_HZ)
    poles = np.exp(np.roots(denominator) / SAMPLE_RATE_HZ)
    row = np.zeros(5)
    top, bottom = (np.atleast_1d(np.real(np.poly(roots))) for roots in (zeros, poles))
    row[: len(top)] = top
    row[3 : 2 + len(bottom)] = bottom[1:]
    at_hz = np.array([REFERENCE_HZ])
    ratio = (analogue_response([section], at_hz) / digital_response(row[np.newaxis], at_hz))[0]
    row[:3] *= np.copysign(np.abs(ratio), ratio.real)  # a zero to the right turns the sign
    return row


def _gain_at_reference(rows: Floats, frequency_hz: Floats, target: Complexes) -> float:
    at = int(np.argmin(np.abs(frequency_hz - REFERENCE_HZ)))
    return float(np.abs(target[at] / digital_response(rows, frequency_hz)[at]))


def _misfit(fit: _Fit) -> float:
    return fit.error


def _fit(
    rows: Floats, free: NDArray[np.bool_], delay: float, frequency_hz: Floats, target: Complexes
) -> _Fit:
    """Move the free sections and the delay until the squared error is least."""
    unknowns = np.append(rows[free].ravel(), delay)
    damping, best = 1e-3, np.inf
    rows = rows.copy()
    for _ in range(200):
        rows[free] = unknowns[:-1].reshape(-1, 5)
        error, jacobian = _linearise(rows, free, unknowns[-1], frequency_hz, target)
        cost = float(np.sum(error * error))
        if not np.isfinite(cost):
            break
        normal, gradient = jacobian.T @ jacobian, jacobian.T @ error
        while damping < 1e12:
            trial = unknowns - np.linalg.solve(
                normal + damping * np.diag(np.diag(normal) + 1e-15), gradient
            )
            trial_rows = rows.copy()
            trial_rows[free] = trial[:-1].reshape(-1, 5)
            if _decays(trial_rows[free]):
                trial_error = _error(trial_rows, trial[-1], frequency_hz, target)
                if float(np.sum(trial_error * trial_error)) < cost:
                    break
            damping *= 4.0
        else:
            break
        unknowns, damping = trial, max(damping / 4.0, 1e-12)
        if best - cost < 1e-9 * cost and damping <= 1e-6:
            break
        best = cost
    rows[free] = unknowns[:-1].reshape(-1, 5)
    final = _error(rows, unknowns[-1], frequency_hz, target)
    half = len(final) // 2
    return _Fit(rows, float(unknowns[-1]), float(np.max(np.hypot(final[:half], final[half:]))))


def _decays(rows: Floats) -> bool:
    """Tell whether all poles lie within ``LARGEST_POLE``: the stability triangle, scaled."""
    a1, a2 = rows[:, 3] / LARGEST_POLE, rows[:, 4] / LARGEST_POLE**2
    return bool(np.all(np.abs(a2) < 1.0) and np.all(np.abs(a1) < 1.0 + a2))


def _split(values: Complexes) -> Floats:
    return np.concatenate([values.real, values.imag])


def _model(rows: Floats, delay: float, frequency_hz: Floats) -> Complexes:
    """Respond as the sections, advanced by ``delay`` samples."""
    turn = np.exp(2j * np.pi * frequency_hz / SAMPLE_RATE_HZ * delay)
    return np.asarray(digital_response(rows, frequency_hz) * turn)


def _error(rows: Floats, delay: float, frequency_hz: Floats, target: Complexes) -> Floats:
    return _split(_model(rows, delay, frequency_hz) - target)


def _linearise(
    rows: Floats,
    free: NDArray[np.bool_],
    delay: float,
    frequency_hz: Floats,
    target: Complexes,
) -> tuple[Floats, Floats]:
    model = _model(rows, delay, frequency_hz)
    z1 = np.exp(-2j * np.pi * frequency_hz / SAMPLE_RATE_HZ)
    columns: list[Floats] = []
    for b0, b1, b2, a1, a2 in rows[free]:
        top = b0 + z1 * (b1 + z1 * b2)
        bottom = 1.0 + z1 * (a1 + z1 * a2)
        columns += [_split(model / top * z1**k) for k in range(3)]
        columns += [_split(-model / bottom * z1**k) for k in (1, 2)]
    columns.append(_split(2j * np.pi * frequency_hz / SAMPLE_RATE_HZ * model))
    return _split(model - target), np.stack(columns, axis=1)
