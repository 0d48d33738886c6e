"""The fit of the equaliser's sections, against filters that scipy makes and evaluates."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from carrierfloor.dsp.equaliser_fit import (
    DB_PER_NEPER,
    FREQUENCY_HZ,
    GOOD_DB,
    RING_S,
    fit_sections,
    minimum_phase,
)

RATE_HZ = 48_000
AT_HZ = np.geomspace(10.0, 23_000.0, 300)
# Poles and zeros as z = r exp(j f), in pairs: a boost at 60 Hz, a cut at 3 kHz, a tilt.
KNOWN = np.vstack(
    [
        signal.zpk2sos(
            [0.99 * np.exp(1j * a), 0.99 * np.exp(-1j * a)],
            [0.995 * np.exp(1j * b), 0.995 * np.exp(-1j * b)],
            1.0,
        )
        for a, b in [(0.012, 0.008)]
    ]
    + [
        signal.zpk2sos(
            [0.9 * np.exp(0.39j), 0.9 * np.exp(-0.39j)],
            [0.8 * np.exp(0.4j), 0.8 * np.exp(-0.4j)],
            1,
        ),
        signal.zpk2sos([0.5, 0.0], [0.7, 0.0], 1.0),
    ]
)


def log_response(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """The logarithm of the known filter's response by scipy, with gain 1 at 1 kHz."""
    _, response = signal.sosfreqz(KNOWN, np.append(frequency_hz, 1000.0), fs=RATE_HZ)
    turn = np.angle(response)  # of minimum phase and within half a turn: nothing to unwrap
    logarithm = np.log(np.abs(response)) + 1j * turn
    return np.asarray(logarithm[:-1] - logarithm[-1].real)


def test_minimum_phase_of_a_known_filter() -> None:
    """All poles and zeros of the filter lie inside the unit circle: its phase is the least."""
    wanted = log_response(FREQUENCY_HZ)
    found = minimum_phase(DB_PER_NEPER * wanted.real)
    np.testing.assert_allclose(found.real, wanted.real, atol=1e-9)
    np.testing.assert_allclose(found.imag, wanted.imag, atol=1e-4)


def test_a_known_filter_is_found_again() -> None:
    wanted = log_response(AT_HZ)
    fit = fit_sections(AT_HZ, wanted, np.ones(len(AT_HZ)))
    rows = np.insert(fit.rows, 3, 1.0, axis=1)
    _, response = signal.sosfreqz(rows, AT_HZ, fs=RATE_HZ)
    error_db = np.abs(20 * np.log10(np.abs(response)) - DB_PER_NEPER * wanted.real)
    assert len(fit.rows) <= len(KNOWN)
    assert error_db.max() <= GOOD_DB
    assert fit.error_db == pytest.approx(error_db.max(), abs=1e-9)
    assert np.abs(np.angle(response) - wanted.imag).max() < 0.1


def test_what_is_flat_needs_no_section() -> None:
    wanted = np.full(len(AT_HZ), 0.5 * GOOD_DB / DB_PER_NEPER, dtype=complex)
    fit = fit_sections(AT_HZ, wanted, np.ones(len(AT_HZ)))
    assert fit.rows.shape == (0, 5)
    assert fit.error_db == pytest.approx(0.5 * GOOD_DB)


def test_no_section_rings_longer_than_stated() -> None:
    """A narrow peak at 30 Hz would have to ring for 0.1 s; the fit stays short of it."""
    peak = signal.sosfreqz(
        np.array(
            [[*signal.iirpeak(30.0, 10.0, RATE_HZ)[0], *signal.iirpeak(30.0, 10.0, RATE_HZ)[1]]]
        ),
        FREQUENCY_HZ,
        fs=RATE_HZ,
    )[1]
    gain_db = 20 * np.log10(1.0 + 9.0 * np.abs(peak))
    wanted = np.interp(AT_HZ, FREQUENCY_HZ, minimum_phase(gain_db))
    rows = fit_sections(AT_HZ, wanted, np.ones(len(AT_HZ))).rows
    poles = np.array([np.roots([1.0, a1, a2]) for *_, a1, a2 in rows])
    zeros = np.array([np.roots(top) for top in rows[:, :3]])
    assert np.abs(poles).max() <= np.exp(-1.0 / (RING_S * RATE_HZ)) + 1e-12
    assert np.abs(zeros).max() < 1.0
