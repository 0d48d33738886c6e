"""Finding a carrier: the line that stands out of the spectrum of a stretch of a recording.

At 100 % each sideband of one tone lies 6 dB below the carrier, those of speech lower, so the
carrier is the strongest line of its own signal.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[Any]  # float64, or complex128 for IQ

# The highest of N bins of noise lies about 10 lg(ln N) dB above their mean, 12 dB for a million.
CLEAR_DB = 20.0  # a line is one if it stands so far above the noise
NEAR_MIDDLE_HZ = 10_000.0  # a receiver is tuned to its station: look here first ...
MUCH_WEAKER_DB = 20.0  # ... and go elsewhere if a line there is that much stronger


@dataclass(frozen=True, kw_only=True)
class CarrierLine:
    """A line in a spectrum."""

    frequency_hz: float
    amplitude: float  # of the complex tone, or of the real sine
    above_noise_db: float  # over the median of the spectrum, in its own resolution


def find_carrier(
    samples: Samples, sample_rate_hz: float, lowest_hz: float, highest_hz: float
) -> CarrierLine | None:
    """Return the strongest line between two frequencies, or ``None`` if none stands out.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Complex: IQ, frequencies are below zero too.  Real: a low intermediate frequency.
    sample_rate_hz : float
        Of the samples.
    lowest_hz, highest_hz : float
        Where to look.

    Returns
    -------
    CarrierLine or None
        Its frequency is that of a parabola through the three highest bins in decibels (J. O.
        Smith, "Spectral Audio Signal Processing", quadratic interpolation of spectral peaks).
    """
    frequency_hz, level_db = _spectrum(samples, sample_rate_hz)
    wanted = (frequency_hz >= lowest_hz) & (frequency_hz <= highest_hz)
    wanted[[0, -1]] = False  # a peak has neighbours
    if not wanted.any() or not np.isfinite(level_db[wanted]).any():
        return None
    noise_db = float(np.median(level_db[wanted]))
    at = _strongest(level_db, wanted)
    near = wanted & (np.abs(frequency_hz) <= NEAR_MIDDLE_HZ)
    if np.iscomplexobj(samples) and near.any():
        middle = _strongest(level_db, near)
        clear = level_db[middle] > noise_db + CLEAR_DB
        if clear and level_db[middle] > level_db[at] - MUCH_WEAKER_DB:
            at = middle
    if not level_db[at] > noise_db + CLEAR_DB:
        return None
    shift, peak_db = _parabola(level_db[at - 1 : at + 2])
    return CarrierLine(
        frequency_hz=float(frequency_hz[at] + shift * (frequency_hz[1] - frequency_hz[0])),
        amplitude=10.0 ** (peak_db / 20.0),
        above_noise_db=peak_db - noise_db,
    )


def _spectrum(
    samples: Samples, sample_rate_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return rising frequencies and the level of each bin, 0 dB for a tone of amplitude 1."""
    n = len(samples)
    window = np.hanning(n + 2)[1:-1]
    step_s = 1.0 / sample_rate_hz
    if np.iscomplexobj(samples):
        bins = np.fft.fftshift(np.fft.fft(window * samples))
        frequency_hz = np.fft.fftshift(np.fft.fftfreq(n, step_s))
    else:
        bins = 2.0 * np.fft.rfft(window * samples)
        frequency_hz = np.fft.rfftfreq(n, step_s)
    power = np.square(np.abs(bins) / window.sum())
    with np.errstate(divide="ignore"):
        return frequency_hz, 10.0 * np.log10(power)


def _strongest(level_db: NDArray[np.float64], wanted: NDArray[np.bool_]) -> int:
    return int(np.argmax(np.where(wanted, level_db, -math.inf)))


def _parabola(levels_db: NDArray[np.float64]) -> tuple[float, float]:
    """Return by how many bins the peak lies beside the middle one of three, and its height."""
    a, b, c = (max(float(level), float(levels_db[1]) - 200.0) for level in levels_db)
    bend = a - 2.0 * b + c
    if bend >= 0.0:
        return 0.0, b
    shift = 0.5 * (a - c) / bend
    return shift, b - 0.25 * (a - c) * shift
