"""Recordings of a simulated carrier, made a second way that shares no code with carrierfloor.

An envelope becomes an IQ, a low-IF or a detector recording with whatever real ones suffer from.
Envelopes change rate by scipy's polyphase resampler; oscillators are closed forms of time.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

NOISE_BAND_HZ = 10_000.0  # carrier-to-noise ratios are those of 5 kHz on each side of the carrier


@dataclass(frozen=True, kw_only=True)
class Radio:
    """A receiver and what is wrong with it.

    Parameters
    ----------
    rate_hz : float
        Of the recording.
    offset_hz, drift_hz_per_s : float
        Where the carrier is at the beginning, and how fast it moves; for an IF its frequency.
    carrier_to_noise_db : float
        Power of the unmodulated carrier over that of the noise in 10 kHz; infinite for none.
    amplitude : float
        Of the unmodulated carrier in the recording.
    image : float
        IQ imbalance: amplitude of the mirror image.
    dc : complex
        A constant in the recording.
    seed : int
        Of the noise.
    """

    rate_hz: float = 48_000.0
    offset_hz: float = 0.0
    drift_hz_per_s: float = 0.0
    carrier_to_noise_db: float = math.inf
    amplitude: float = 0.2
    image: float = 0.0
    dc: complex = 0.0
    phase: float = 1.0
    seed: int = 1

    def iq(self, envelope: Array, envelope_rate_hz: float) -> ComplexArray:
        """Return an IQ recording of a carrier with this envelope, 1.0 = unmodulated."""
        upright = resampled(envelope, envelope_rate_hz, self.rate_hz)
        turned = self.amplitude * upright * np.exp(1j * self._phases(len(upright)))
        noisy = turned + self._noise(len(upright))
        return np.asarray(noisy + self.image * np.conj(noisy) + self.dc)

    def low_if(self, envelope: Array, envelope_rate_hz: float) -> Array:
        """Return a real recording with the carrier at ``offset_hz``."""
        upright = resampled(envelope, envelope_rate_hz, self.rate_hz)
        noisy = self.amplitude * upright * np.cos(self._phases(len(upright)))
        # Real noise of the same density on both sides of zero: half its power is at the carrier's.
        return np.asarray(noisy + self._noise(len(upright)).real * math.sqrt(0.5))

    def _phases(self, samples: int) -> Array:
        t = np.arange(samples) / self.rate_hz
        return self.phase + 2 * np.pi * (self.offset_hz + 0.5 * self.drift_hz_per_s * t) * t

    def _noise(self, samples: int) -> ComplexArray:
        if math.isinf(self.carrier_to_noise_db):
            return np.zeros(samples, dtype=complex)
        in_band = self.amplitude**2 * 10 ** (-self.carrier_to_noise_db / 10)
        rms = math.sqrt(in_band * self.rate_hz / NOISE_BAND_HZ)
        random = np.random.default_rng(self.seed)
        pairs = random.normal(size=(2, samples)) * rms / math.sqrt(2.0)
        return np.asarray(pairs[0] + 1j * pairs[1])


def detector(
    envelope: Array,
    rate_hz: float,
    *,
    gain: float = 0.3,
    corner_hz: float = 5.0,
    knee: float = 0.0,
    noise_db: float = math.inf,
    seed: int = 1,
) -> Array:
    """Return what a sound card records of a diode detector: no DC, by one first-order high-pass.

    ``knee`` is the diode's threshold, where the unmodulated carrier is 1; ``noise_db`` is the
    unmodulated carrier's detected voltage over the rms of the noise.
    """
    detected = np.maximum(0.0, envelope - knee)
    random = np.random.default_rng(seed)
    if not math.isinf(noise_db):
        detected = detected + 10 ** (-noise_db / 20) * random.normal(size=len(detected))
    top, bottom = signal.butter(1, corner_hz, "highpass", fs=rate_hz)
    return np.asarray(gain * signal.lfilter(top, bottom, detected - detected[0]))


def resampled(samples: Array, from_hz: float, to_hz: float) -> Array:
    """Return samples at another rate, scipy's polyphase filter with 80 dB."""
    if from_hz == to_hz:
        return samples
    ratio = Fraction(to_hz / from_hz).limit_denominator(10_000)
    return np.asarray(
        signal.resample_poly(samples, ratio.numerator, ratio.denominator, window=("kaiser", 9.0))
    )


def as_bytes(samples: ComplexArray, kind: str) -> bytes:
    """Return raw interleaved IQ: u8, s8, s16 or f32, little-endian, as SDR programs write it."""
    flat = np.column_stack([samples.real, samples.imag]).ravel()
    if kind == "f32":
        return flat.astype("<f4").tobytes()
    full, low = {"u8": (127.5, 127.5), "s8": (127.0, 0.0), "s16": (32_767.0, 0.0)}[kind]
    codes = np.rint(flat * full + low)
    stored: Any = np.dtype({"u8": "u1", "s8": "i1", "s16": "<i2"}[kind])
    limits = np.iinfo(stored)
    return bytes(np.clip(codes, limits.min, limits.max).astype(stored).tobytes())
