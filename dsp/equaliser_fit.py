"""Second-order sections of minimum phase fitted to a wanted gain.

The fit is made on the logarithm of the complex response: least squares in nepers and radians.
There the sections of a cascade simply add up, and a gain of minimum phase has one phase only, so
that a cascade that gets the gain right gets the phase right as well.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.path import REFERENCE_HZ
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

DB_PER_NEPER = 20.0 / float(np.log(10.0))
TRANSFORM = 2**18  # bins of 0.18 Hz: fine enough for what happens at 10 Hz
FREQUENCY_HZ = np.linspace(0.0, SAMPLE_RATE_HZ / 2, TRANSFORM // 2 + 1)

MOST_SECTIONS = 6
GOOD_DB = 0.25  # a better fit is not worth another section
WORTH = 0.9  # of the error, that must be left after more sections
MOST_STEPS = 60
SMALLEST_GAIN = 1e-3  # of the squared error, in a step; the fit ends when a step gains less
LONGEST_STEP = 1.0  # of any unknown: nepers of a frequency or of a quality factor
DIFFERENCE = 1e-5  # for derivatives
RING_S = 0.012  # no section rings longer than this, to 1/e
SLOWEST_POLE = float(np.exp(-1.0 / (RING_S * SAMPLE_RATE_HZ)))
# Logarithms of the frequency and the quality factor of a pair of zeros or poles.
LOWEST = np.log([1.0, 0.1])
HIGHEST = np.log([23_000.0, 20.0])
ZERO_HZ, ZERO_Q, POLE_HZ, POLE_Q = range(4)  # unknowns of a section, as logarithms


class Fitted(NamedTuple):
    """Sections and how far they are off."""

    rows: Floats  # shape (n, 5): b0, b1, b2, a1, a2 at 48 kHz; gain 1 at 1 kHz
    error_db: float  # the largest error of the gain where it counts most


def minimum_phase(gain_db: Floats) -> Complexes:
    """Return the logarithm of the complex response of minimum phase that has a given gain.

    A. V. Oppenheim and R. W. Schafer, "Digital Signal Processing", 1975, chapter 10: the complex
    cepstrum of a sequence of minimum phase is causal (from memory).

    Parameters
    ----------
    gain_db : ndarray, shape (len(FREQUENCY_HZ),)
        The gain at ``FREQUENCY_HZ``.
    """
    cepstrum = np.fft.irfft(gain_db / DB_PER_NEPER, TRANSFORM)
    cepstrum[1 : TRANSFORM // 2] *= 2.0
    cepstrum[TRANSFORM // 2 + 1 :] = 0.0
    return np.asarray(np.fft.rfft(cepstrum))


def fit_sections(frequency_hz: Floats, wanted: Complexes, weight: Floats) -> Fitted:
    """Fit as few sections as will do, each of minimum phase, stable, soon at rest.

    Parameters
    ----------
    frequency_hz : ndarray, shape (m,)
        Where to fit.
    wanted : ndarray of complex, shape (m,)
        The logarithm of the response, its real part 0 at 1 kHz.
    weight : ndarray, shape (m,)
        Of the error at each frequency; the stated error counts where it is 1.
    """
    fit = _Fit(frequency_hz, wanted, weight)
    unknowns = np.zeros((0, 4))
    best = Fitted(np.zeros((0, 5)), fit.error_db(unknowns))
    while best.error_db > GOOD_DB and len(unknowns) < MOST_SECTIONS:
        unknowns = fit.improved(fit.with_another(unknowns))
        found = Fitted(rows_of(unknowns), fit.error_db(unknowns))
        if found.error_db < WORTH * best.error_db:
            best = found
    return best


class _Fit:
    """The problem of one fit, by Levenberg and Marquardt."""

    def __init__(self, frequency_hz: Floats, wanted: Complexes, weight: Floats) -> None:
        self._log_hz = np.log(frequency_hz)
        self._delays = _delays(np.append(frequency_hz, REFERENCE_HZ))
        self._wanted, self._weight = wanted, weight

    def error_db(self, unknowns: Floats) -> float:
        """Return the largest error of the gain where the weight is 1."""
        error = (self._model(unknowns) - self._wanted).real
        return DB_PER_NEPER * float(np.abs(error[self._weight == 1.0]).max())

    def with_another(self, unknowns: Floats) -> Floats:
        """Add a section where the gain is most in error, a peak that takes part of it away."""
        error = (self._wanted - self._model(unknowns)).real
        at = int(np.argmax(self._weight * np.abs(error)))
        half = float(np.clip(error[at] / 2.0, -0.7, 0.7))
        another = [self._log_hz[at], -half, self._log_hz[at], half]
        return np.vstack([unknowns, another])

    def improved(self, unknowns: Floats) -> Floats:
        """Move all unknowns until the squared error is least."""
        error, damping = self._error(unknowns), 1e-2
        for _ in range(MOST_STEPS):
            slopes = self._slopes(unknowns)
            normal, gradient = (slopes @ slopes.conj().T).real, (slopes.conj() @ error).real
            before = _square(error)
            while damping < 1e8:
                damped = normal + damping * np.diag(np.diag(normal) + 1e-9)
                step = np.clip(np.linalg.solve(damped, gradient), -LONGEST_STEP, LONGEST_STEP)
                trial = _bounded(unknowns - step.reshape(-1, 4))
                trial_error = self._error(trial)
                if _square(trial_error) < before:
                    break
                damping *= 4.0
            else:
                return unknowns
            unknowns, error, damping = trial, trial_error, max(damping / 5.0, 1e-9)
            if before - _square(error) < SMALLEST_GAIN * before:
                break
        return unknowns

    def _error(self, unknowns: Floats) -> Complexes:
        return np.asarray(self._weight * (self._model(unknowns) - self._wanted))

    def _model(self, unknowns: Floats) -> Complexes:
        return np.asarray(self._each(unknowns).sum(axis=0))

    def _each(self, unknowns: Floats) -> Complexes:
        """Return the logarithm of each section's response, its gain at 1 kHz taken out."""
        zeros = _quadratics(unknowns[:, ZERO_HZ], unknowns[:, ZERO_Q])
        poles = _quadratics(unknowns[:, POLE_HZ], unknowns[:, POLE_Q], SLOWEST_POLE)
        response = np.log(zeros @ self._delays) - np.log(poles @ self._delays)
        return np.asarray(response[:, :-1] - response[:, -1:].real)

    def _slopes(self, unknowns: Floats) -> Complexes:
        """Return the derivatives of the weighted error, one row for each unknown."""
        slopes = np.empty((len(unknowns), 4, len(self._wanted)), dtype=complex)
        for k in range(4):
            moved = DIFFERENCE * (np.arange(4) == k)
            change = self._each(unknowns + moved) - self._each(unknowns - moved)
            slopes[:, k] = self._weight * change / (2.0 * DIFFERENCE)
        return slopes.reshape(-1, len(self._wanted))


def rows_of(unknowns: Floats) -> Floats:
    """Return the sections that unknowns stand for, shape (n, 5), with gain 1 at 1 kHz each."""
    zeros = _quadratics(unknowns[:, ZERO_HZ], unknowns[:, ZERO_Q])
    poles = _quadratics(unknowns[:, POLE_HZ], unknowns[:, POLE_Q], SLOWEST_POLE)
    at = _delays(np.array([REFERENCE_HZ]))
    gain = np.abs((zeros @ at) / (poles @ at))
    return np.hstack([zeros / gain, poles[:, 1:]])


def _delays(frequency_hz: Floats) -> Complexes:
    """Return 1, z^-1 and z^-2, shape (3, m)."""
    z1 = np.exp(-2j * np.pi * frequency_hz / SAMPLE_RATE_HZ)
    return np.stack([np.ones_like(z1), z1, z1 * z1])


def _quadratics(log_hz: Floats, log_q: Floats, shrunk: float = 1.0) -> Floats:
    """Return 1 + c1 z^-1 + c2 z^-2, shape (n, 3), with the roots of analogue resonances.

    The roots of s^2 + (w/q) s + w^2 by z = exp(s/fs), which keeps them inside the unit circle,
    then all made smaller by the factor ``shrunk``.
    """
    w, q = 2.0 * np.pi * np.exp(log_hz) / SAMPLE_RATE_HZ, np.exp(log_q)
    turn = w * np.sqrt(np.abs(1.0 - 0.25 / q**2))
    middle = np.where(q > 0.5, np.cos(turn), np.cosh(turn))
    size = shrunk * np.exp(-w / (2.0 * q))
    return np.stack([np.ones_like(w), -2.0 * size * middle, size * size], axis=1)


def _bounded(unknowns: Floats) -> Floats:
    return np.clip(unknowns, np.tile(LOWEST, 2), np.tile(HIGHEST, 2))


def _square(error: Complexes) -> float:
    return float(np.sum(np.abs(error) ** 2))
