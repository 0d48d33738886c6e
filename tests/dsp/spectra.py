"""Spectra of carriers whose sidebands are known, for the tests of what is read from them."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.rf_spectrum import RfSpectrum
from carrierfloor.dsp.spectrum_meter import SpectrumMeter

RATE_HZ = 48_000.0
Signal = NDArray[np.complex128]


def measured(samples: Any, rate_hz: float = RATE_HZ, **how: Any) -> RfSpectrum:
    """Return the spectrum of a signal whose carrier has amplitude 1."""
    meter = SpectrumMeter(rate_hz, **how)
    meter.feed(samples)
    return meter.read(1.0)


def with_tone(index: float, tone_hz: float, seconds: float = 4.0) -> Signal:
    """Return a carrier with one tone."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray((1.0 + index * np.cos(2 * np.pi * tone_hz * t)) * np.exp(0.7j))


def with_noise(rms: float, to_hz: float, seconds: float = 20.0, from_hz: float = 0.0) -> Signal:
    """Return a carrier modulated by noise that is flat from one frequency to another."""
    count = round(seconds * RATE_HZ)
    lines = np.fft.rfft(np.random.default_rng(3).standard_normal(count))
    at_hz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    lines[(at_hz > to_hz) | (at_hz < from_hz)] = 0.0
    modulation = np.fft.irfft(lines)
    return np.asarray((1.0 + rms * modulation / np.std(modulation)) * np.exp(0.7j))


def white(count: int, rms: float, seed: int = 1) -> Signal:
    """Return complex noise."""
    pairs = np.random.default_rng(seed).standard_normal((2, count)) * rms / math.sqrt(2.0)
    return np.asarray(pairs[0] + 1j * pairs[1])


def lines_spectrum(lines: dict[float, float], to_hz: float = 20_000.0) -> RfSpectrum:
    """Return a spectrum of single bins, 10 Hz wide, of the given powers; nothing else."""
    offset_hz = np.arange(-to_hz, to_hz + 1.0, 10.0)
    power = np.zeros(len(offset_hz))
    for at_hz, value in lines.items():
        power[np.argmin(np.abs(offset_hz - at_hz))] = value
    return RfSpectrum(
        offset_hz=offset_hz,
        mean_power=power,
        peak_power=2.0 * power,
        shared_power=np.minimum(power, power[::-1]),
        usable=np.ones(len(power), dtype=bool),
        bin_hz=10.0,
        duration_s=10.0,
        segments=1000,
    )
