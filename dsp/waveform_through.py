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


def spectrum(samples: Block) -> Complexes:
    """Return the spectrum of a waveform at 48 kHz, padded, scaled as of one at the finer rate.

    Beyond half of 48 kHz there is nothing, and it holds nothing there.
    """
    return np.asarray(FINE * fft.rfft(samples, padded_length(len(samples))))


def frequencies_hz(bins: Complexes) -> Floats:
    """Return the frequencies of a spectrum."""
    return np.asarray(np.arange(len(bins)) * (SAMPLE_RATE_HZ / (2 * (len(bins) - 1))))


def waveform(bins: Complexes) -> Block:
    """Return the waveform that has a spectrum, at the finer rate."""
    return np.asarray(fft.irfft(bins, FINE * 2 * (len(bins) - 1)))


def spectrum_of(wave: Block) -> Complexes:
    """Return the spectrum of a waveform at the finer rate, as far as one at 48 kHz reaches."""
    return np.asarray(fft.rfft(wave)[: len(wave) // (2 * FINE) + 1])


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
    return waveform(bins * response(frequencies_hz(bins)))


def highest(wave: Block) -> float:
    """Return the highest peak, read between the samples by a parabola."""
    at = int(np.argmax(wave))
    if not 0 < at < len(wave) - 1:
        return float(wave[at])
    left, middle, right = map(float, wave[at - 1 : at + 2])
    bend = left - 2.0 * middle + right
    return middle - (right - left) ** 2 / (8.0 * bend) if bend < 0.0 else middle
