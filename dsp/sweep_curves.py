"""From impulse responses to smooth curves over frequency, each with its noise.

A curve is averaged over cells of a small part of an octave, but no narrower than the window of the
impulse response resolves.  Before averaging, the spectrum is divided by a first estimate of itself,
so that neither delay nor slope costs anything.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.deconvolution import HIGHEST_ORDER, Deconvolution, Window
from carrierfloor.dsp.sweep_recognition import KnownSweep

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

CELLS_PER_OCTAVE, HARMONIC_CELLS_PER_OCTAVE = 48, 12
EDGE = 1.04  # so near to the ends of the sweep nothing is known
PADDING = 4  # spectra are so many times finer than the window resolves
NOISE_OCTAVES = 0.25  # over which the noise is averaged


@dataclass(frozen=True)
class Curve:
    """A complex curve and the standard deviation of its noise, shape (n,) each."""

    frequency_hz: Floats
    response: Complexes
    noise: Floats

    def at(self, frequency_hz: Floats) -> Complexes:
        """Interpolate: the logarithm of the magnitude and the phase, over log frequency."""
        return interpolated(frequency_hz, self.frequency_hz, self.response)


def interpolated(at_hz: Floats, frequency_hz: Floats, response: Complexes) -> Complexes:
    """Interpolate a complex response in magnitude (log) and phase over log frequency."""
    x, known = np.log(at_hz), np.log(frequency_hz)
    magnitude = np.interp(x, known, np.log(np.abs(response) + 1e-300))
    phase = np.interp(x, known, np.unwrap(np.angle(response)))
    return np.asarray(np.exp(magnitude + 1j * phase))


def linear_curve(found: Deconvolution, sweep: KnownSweep, clock_ppm: float) -> Curve:
    """Return the linear response: captured over played, on the playing clock's frequencies."""
    one, rate_hz = sweep.sweep, sweep.sweep.sample_rate_hz
    size = _size(found.linear)
    bins = found.spectrum(found.linear, 0.0, size)
    resolution_hz = rate_hz / found.linear.energy
    edges_hz = _cells(
        EDGE * one.lowest_hz, one.highest_hz / EDGE, CELLS_PER_OCTAVE, 0.5 * resolution_hz
    )
    width_hz = rate_hz / size
    middles_hz = np.sqrt(edges_hz[1:] * edges_hz[:-1])
    first = _averaged(bins, edges_hz, width_hz, np.ones(len(bins), dtype=complex))
    guide = _guide(len(bins), width_hz, middles_hz, first)
    response = first * _averaged(bins, edges_hz, width_hz, guide)
    noise = _noise(found, found.linear, rate_hz, middles_hz, np.diff(edges_hz))
    # The cells at both ends have guided their neighbours, but had no guide on one side.
    inner = slice(1, -1)
    return Curve(middles_hz[inner] * (1.0 + 1e-6 * clock_ppm), response[inner], noise[inner])


def harmonic_curve(
    found: Deconvolution, sweep: KnownSweep, linear: Curve, order: int
) -> Curve | None:
    """Return one harmonic over the fundamental's frequency: magnitude and phase as captured.

    The phase is that of a sine, at the instant at which the fundamental's would be zero without
    the path; ``None`` if the sweep's band is too narrow for this harmonic.
    """
    one, rate_hz = sweep.sweep, sweep.sweep.sample_rate_hz
    window = found.harmonic_window(order)
    lowest_hz = max(EDGE * order * one.lowest_hz, linear.frequency_hz[0])
    highest_hz = min(one.highest_hz / EDGE, float(linear.frequency_hz[-1]))
    if highest_hz < 2.0 ** (1.0 / HARMONIC_CELLS_PER_OCTAVE) * lowest_hz:
        return None
    size = _size(window)
    bins = found.spectrum(window, -found.advance(order), size)
    edges_hz = _cells(lowest_hz, highest_hz, HARMONIC_CELLS_PER_OCTAVE, rate_hz / window.energy)
    middles_hz = np.sqrt(edges_hz[1:] * edges_hz[:-1])
    # The fundamental's own phase there holds the delay.
    guide = _guide(
        len(bins), rate_hz / size, linear.frequency_hz, np.exp(1j * np.angle(linear.response))
    )
    response = _averaged(bins, edges_hz, rate_hz / size, guide)
    response *= np.exp(1j * np.angle(linear.at(middles_hz)))
    turns = one.lowest_hz * one.time_constant_s * (order - 1)  # the constant phase of the advance
    response *= np.exp(2j * np.pi * math.fmod(turns, 1.0))
    noise = _noise(found, window, rate_hz, middles_hz, np.diff(edges_hz))
    return Curve(middles_hz / order, response, noise)


def orders() -> range:
    """Return the orders of the harmonics that are looked at."""
    return range(2, HIGHEST_ORDER + 1)


def _size(window: Window) -> int:
    return int(2 ** math.ceil(math.log2(PADDING * len(window.gain))))


def _cells(low_hz: float, high_hz: float, per_octave: int, narrowest_hz: float) -> Floats:
    """Return the edges of cells that fill a band."""
    edges, ratio = [low_hz], 2.0 ** (1.0 / per_octave)
    while edges[-1] < high_hz:
        edges.append(max(edges[-1] * ratio, edges[-1] + narrowest_hz))
    return np.array(edges[:-1] if len(edges) > 2 else edges)


def _guide(count: int, width_hz: float, known_hz: Floats, response: Complexes) -> Complexes:
    at_hz = np.clip(np.arange(count) * width_hz, known_hz[0], known_hz[-1])
    return interpolated(at_hz, known_hz, response)


def _averaged(bins: Complexes, edges_hz: Floats, width_hz: float, guide: Complexes) -> Complexes:
    """Return the mean of bins / guide over each cell, weighted by the guide's power."""
    weight = np.abs(guide) ** 2
    means = []
    for low, high in pairwise(edges_hz):
        first = round(low / width_hz)
        part = slice(first, max(first + 1, round(high / width_hz)))
        means.append(np.sum(bins[part] * guide[part].conj()) / np.sum(weight[part]))
    return np.array(means)


def _noise(
    found: Deconvolution, window: Window, rate_hz: float, at_hz: Floats, width_hz: Floats
) -> Floats:
    """Return the standard deviation that noise gives an average over cells."""
    gap = found.gap_window()
    size = _size(gap)
    power = np.abs(fft.rfft(found.cut(gap), size)) ** 2 / gap.energy  # of one sample of noise
    step_hz = rate_hz / size
    sums = np.concatenate(([0.0], np.cumsum(power)))
    spread = 2.0 ** (NOISE_OCTAVES / 2.0)
    # No narrower than three lines that the gap resolves.
    reach_hz = np.maximum(at_hz * (spread - 1.0 / spread) / 2.0, 1.5 * rate_hz / gap.energy)
    low = np.clip(np.round((at_hz - reach_hz) / step_hz), 1, len(power) - 1).astype(int)
    high = np.clip(np.round((at_hz + reach_hz) / step_hz), low + 1, len(power)).astype(int)
    density = (sums[high] - sums[low]) / (high - low)
    independent = np.maximum(1.0, width_hz * window.energy / rate_hz)
    return np.asarray(np.sqrt(density * window.energy / independent))
