"""The path as digital sections: fitted to the analogue response, not warped onto it.

A bilinear section at 48 kHz strays from its analogue prototype near the top of the speech band,
enough to take a 95 % limit to 96.5 % at the real antenna.  So the sections are fitted to the
analogue response by least squares (Levenberg-Marquardt), with one extra unknown: a constant
delay, which moves no peak.
"""

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.path import Path
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LOWEST_HZ = 5.0
HIGHEST_HZ = 8000.0  # above the stop-band edge of the limiter's guard filter
LOW_SECTION_HZ = 500.0  # sections below this are exact enough in their poles
GOOD_ERROR = 5e-5  # of the unity gain at 1 kHz; a better fit is not worth another section
MOST_EXTRA_SECTIONS = 2


def digital_sections(path: Path) -> tuple[Floats, float]:
    """Fit second-order sections at 48 kHz to a path.

    Parameters
    ----------
    path : Path
        The analogue path, unity gain at 1 kHz.

    Returns
    -------
    sections : ndarray, shape (n, 5)
        Rows of b0, b1, b2, a1, a2.
    worst_error : float
        Largest error of the complex response from 5 Hz to 8 kHz after removing the fitted delay;
        1.0 is the gain at 1 kHz.
    """
    if not path.sections:
        return np.zeros((0, 5)), 0.0
    frequency_hz = np.concatenate(
        [np.geomspace(LOWEST_HZ, 300.0, 60), np.linspace(310.0, HIGHEST_HZ, 200)]
    )
    target = path.response(frequency_hz)
    rows = [_matched_section(section) for section in path.sections]
    free = [section.frequency_hz >= LOW_SECTION_HZ for section in path.sections]
    rows[-1][:3] *= _gain_at_reference(np.array(rows), frequency_hz, target)
    for extra in range(MOST_EXTRA_SECTIONS + 1):
        if any(free):
            fitted = _fit(np.array(rows), np.array(free), frequency_hz, target)
            rows, error = list(fitted[0]), fitted[1]
        else:
            error = np.inf
        if error < GOOD_ERROR or extra == MOST_EXTRA_SECTIONS:
            break
        rows.append(np.array([1.0, -0.2, 0.0, -0.2, 0.0]))  # passes all, but can be moved
        free.append(True)
    return np.array(rows), float(error)


def _matched_section(section: Section) -> Floats:
    """Map the poles and zeros of one analogue section by z = exp(s/fs), the starting point."""
    numerator, denominator = section.analogue()
    zeros = np.exp(np.roots(numerator) / SAMPLE_RATE_HZ)
    poles = np.exp(np.roots(denominator) / SAMPLE_RATE_HZ)
    row = np.zeros(5)
    top, bottom = (np.atleast_1d(np.real(np.poly(roots))) for roots in (zeros, poles))
    row[: len(top)] = top
    row[3 : 2 + len(bottom)] = bottom[1:]
    f_hz = np.array([1000.0])
    s = 2j * np.pi * f_hz
    wanted = np.polyval(numerator, s) / np.polyval(denominator, s)
    row[:3] *= np.abs(wanted / _response(row[np.newaxis], f_hz))[0]
    return row


def _delays(frequency_hz: Floats) -> Complexes:
    return np.asarray(np.exp(-2j * np.pi * frequency_hz / SAMPLE_RATE_HZ))


def _response(rows: Floats, frequency_hz: Floats) -> Complexes:
    z1 = _delays(frequency_hz)
    response = np.ones(len(frequency_hz), dtype=complex)
    for b0, b1, b2, a1, a2 in rows:
        response *= (b0 + z1 * (b1 + z1 * b2)) / (1.0 + z1 * (a1 + z1 * a2))
    return response


def _gain_at_reference(rows: Floats, frequency_hz: Floats, target: Complexes) -> float:
    at = int(np.argmin(np.abs(frequency_hz - 1000.0)))
    return float(np.abs(target[at] / _response(rows, frequency_hz)[at]))


def _fit(
    rows: Floats, free: NDArray[np.bool_], frequency_hz: Floats, target: Complexes
) -> tuple[Floats, float]:
    """Move the free sections and the delay until the squared error is least."""
    unknowns = np.append(rows[free].ravel(), 0.0)
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
            if _is_stable(trial_rows):
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
    return rows, float(np.max(np.hypot(final[:half], final[half:])))


def _is_stable(rows: Floats) -> bool:
    a1, a2 = rows[:, 3], rows[:, 4]
    return bool(np.all(np.abs(a2) < 0.9999) and np.all(np.abs(a1) < 1.0 + a2))


def _split(values: Complexes) -> Floats:
    return np.concatenate([values.real, values.imag])


def _model(rows: Floats, delay: float, frequency_hz: Floats) -> Complexes:
    """Respond as the sections, advanced by ``delay`` samples."""
    turn = np.exp(2j * np.pi * frequency_hz / SAMPLE_RATE_HZ * delay)
    return np.asarray(_response(rows, frequency_hz) * turn)


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
    z1 = _delays(frequency_hz)
    columns: list[Floats] = []
    for b0, b1, b2, a1, a2 in rows[free]:
        top = b0 + z1 * (b1 + z1 * b2)
        bottom = 1.0 + z1 * (a1 + z1 * a2)
        columns += [_split(model / top * z1**k) for k in range(3)]
        columns += [_split(-model / bottom * z1**k) for k in (1, 2)]
    columns.append(_split(2j * np.pi * frequency_hz / SAMPLE_RATE_HZ * model))
    return _split(model - target), np.stack(columns, axis=1)
