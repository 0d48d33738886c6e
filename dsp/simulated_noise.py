"""Simulated receiver noise: complex, white, in a band around the carrier; seeded."""

import numpy as np

from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.resampler import ComplexResampler

DRAWN = 4096  # samples drawn at once


class WhiteNoise:
    """Complex white noise.

    Parameters
    ----------
    rms : float
        Of the complex samples.
    random : numpy Generator
        What it comes from.
    """

    def __init__(self, rms: float, random: np.random.Generator) -> None:
        self._part_rms, self._random = rms / np.sqrt(2.0), random

    def take(self, count: int) -> Complex:
        """Return the next samples, shape (count,); the same however they are asked for."""
        pairs = self._random.standard_normal((count, 2))
        pairs *= self._part_rms
        return np.asarray(pairs.view(np.complex128)[:, 0])


class BandNoise:
    """White noise of a limited band, as behind a receiver's filter, at a higher rate.

    Parameters
    ----------
    rms : float
        Of the whole band.
    bandwidth_hz : float
        Both sides of the middle together.
    rate_hz : float
        Of the samples.
    random : numpy Generator
        What it comes from.
    """

    def __init__(
        self, rms: float, bandwidth_hz: float, rate_hz: float, random: np.random.Generator
    ) -> None:
        self._white = WhiteNoise(rms, random)
        self._up = ComplexResampler(bandwidth_hz, rate_hz)
        self._ready = np.zeros(0, dtype=np.complex128)

    def take(self, count: int) -> Complex:
        """Return the next samples, shape (count,); the same however they are asked for."""
        parts, ready = [self._ready], len(self._ready)
        while ready < count:
            parts.append(self._up.process(self._white.take(DRAWN)))
            ready += len(parts[-1])
        joined = np.concatenate(parts) if len(parts) > 1 else self._ready
        self._ready = joined[count:]
        return joined[:count]
