"""A whole waveform through an analogue response, at a finer rate; a multiplication of spectra."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

FINE = 2  # times 48 kHz: room for harmonics, and peaks are read between the samples
PAD_S = 1.0  # silence behind, in which the response may ring on


def padded_length(samples: int) -> int:
    """Return how many samples at 48 kHz are transformed at once."""
    size = fft.next_fast_len(samples + round(PAD_S * SAMPLE_RATE_HZ), real=True)
    return int(size + size % 2)


def frequencies_hz(count: int) -> Floats:
    """Return the frequencies of the spectrum of a padded waveform of ``count`` samples."""
    return np.asarray(np.arange(FINE * count // 2 + 1) * (SAMPLE_RATE_HZ / count))


def spectrum(samples: Block) -> Complexes:
    """Return the spectrum of a waveform at 48 kHz, padded, as of one at the finer rate."""
    count = padded_length(len(samples))
    bins = np.zeros(FINE * count // 2 + 1, dtype=complex)
    bins[: count // 2 + 1] = FINE * fft.rfft(samples, count)
    return bins


def through(samples: Block, response: Callable[[Floats], Complexes]) -> Block:
    """Return a waveform behind a response, at the finer rate, padded.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        At 48 kHz.
    response : callable
        Gives the complex response at frequencies in Hz.
    """
    bins = spectrum(samples)
    size = 2 * (len(bins) - 1)
    return np.asarray(fft.irfft(bins * response(frequencies_hz(size // FINE)), size))


def highest(waveform: Block) -> float:
    """Return the highest peak, read between the samples by a parabola."""
    at = int(np.argmax(waveform))
    if not 0 < at < len(waveform) - 1:
        return float(waveform[at])
    left, middle, right = map(float, waveform[at - 1 : at + 2])
    bend = left - 2.0 * middle + right
    return middle - (right - left) ** 2 / (8.0 * bend) if bend < 0.0 else middle
