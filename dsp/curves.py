"""A complex frequency response as the curves that people read: magnitude, phase, group delay."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.sweep_response import Harmonic

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

BAND_SIGMAS = 2.0  # of the noise: 95 % of all measurements lie in the band
SLOPE_OCTAVES = 1.0 / 6.0  # over which the slope of the phase is taken
FLOOR = 1e-6  # -120 dB


@dataclass(frozen=True, kw_only=True)
class Curves:
    """A response over frequency, all of shape (n,).

    Attributes
    ----------
    frequency_hz : ndarray
        Rising.
    magnitude_db, phase_deg, group_delay_ms : ndarray
        The phase is unwrapped, and lies around zero at 1 kHz.
    magnitude_band_db, phase_band_deg, group_delay_band_ms : tuple of ndarray
        Lower and upper end of where noise may have moved them, two standard deviations.
    """

    frequency_hz: Floats
    magnitude_db: Floats
    phase_deg: Floats
    group_delay_ms: Floats
    magnitude_band_db: tuple[Floats, Floats]
    phase_band_deg: tuple[Floats, Floats]
    group_delay_band_ms: tuple[Floats, Floats]


def curves(frequency_hz: Floats, response: Complexes, noise: Floats | None = None) -> Curves:
    """Return the curves of a response.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Rising, close enough for the phase to turn by less than half a turn from one to the next.
    response : ndarray of complex, shape (n,)
        The response.
    noise : ndarray, shape (n,), or None
        Standard deviation of the response, as of a complex number.
    """
    magnitude = np.maximum(np.abs(response), FLOOR)
    # Noise is as large along the response as across it.
    off = BAND_SIGMAS * (np.zeros(len(magnitude)) if noise is None else noise) / np.sqrt(2.0)
    phase = np.unwrap(np.angle(response))
    phase -= 2.0 * np.pi * np.round(np.interp(1000.0, frequency_hz, phase) / (2.0 * np.pi))
    turn = np.arcsin(np.minimum(1.0, off / magnitude))
    delay, delay_off = _group_delay(frequency_hz, phase, turn)
    return Curves(
        frequency_hz=frequency_hz,
        magnitude_db=_db(magnitude),
        phase_deg=np.degrees(phase),
        group_delay_ms=1000.0 * delay,
        magnitude_band_db=(_db(magnitude - off), _db(magnitude + off)),
        phase_band_deg=(np.degrees(phase - turn), np.degrees(phase + turn)),
        group_delay_band_ms=(1000.0 * (delay - delay_off), 1000.0 * (delay + delay_off)),
    )


@dataclass(frozen=True, kw_only=True)
class Difference:
    """How far one response lies from another, in % of the gain at 1 kHz; all of shape (n,)."""

    frequency_hz: Floats
    error_pct: Floats  # magnitude of the difference
    noise_pct: Floats  # what noise alone would hardly exceed, two standard deviations


def difference(
    frequency_hz: Floats, measured: Complexes, fitted: Complexes, noise: Floats
) -> Difference:
    """Return the difference of two responses, both with magnitude 1 at 1 kHz.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Their grid.
    measured, fitted : ndarray of complex, shape (n,)
        The responses.
    noise : ndarray, shape (n,)
        Standard deviation of ``measured``.
    """
    return Difference(
        frequency_hz=frequency_hz,
        error_pct=100.0 * np.abs(measured - fitted),
        noise_pct=100.0 * BAND_SIGMAS * noise,
    )


def _db(magnitude: Floats) -> Floats:
    return np.asarray(20.0 * np.log10(np.maximum(magnitude, FLOOR)))


def _group_delay(frequency_hz: Floats, phase: Floats, turn: Floats) -> tuple[Floats, Floats]:
    """Return minus the slope of the phase (least squares over a stretch) and its uncertainty."""
    delay, off = np.zeros(len(phase)), np.zeros(len(phase))
    half = 2.0 ** (SLOPE_OCTAVES / 2.0)
    for at, middle_hz in enumerate(frequency_hz):
        first = min(int(np.searchsorted(frequency_hz, middle_hz / half)), max(0, at - 1))
        last = max(int(np.searchsorted(frequency_hz, middle_hz * half, "right")), at + 2)
        across = 2.0 * np.pi * frequency_hz[first:last]
        across = across - across.mean()
        square = np.sum(across**2)
        delay[at] = -np.sum(across * phase[first:last]) / square
        off[at] = np.sqrt(np.sum((across * turn[first:last]) ** 2)) / square
    return delay, off


def harmonic_at(harmonic: Harmonic, frequency_hz: float) -> float | None:
    """Return a harmonic over its fundamental at one frequency, ``None`` if it was not measured."""
    grid = harmonic.frequency_hz
    if not len(grid) or not grid[0] <= frequency_hz <= grid[-1]:
        return None
    return float(np.interp(np.log(frequency_hz), np.log(grid), np.abs(harmonic.ratio)))
