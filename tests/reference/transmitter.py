"""Simulated transmitters, computed in a way that shares no code with carrierfloor.

Sound-card samples are interpolated to 192 kHz by their spectrum and go through a list of blocks:
analogue filters, applied as they are in the frequency domain, and memoryless bends.  What comes out
is the modulation at the antenna.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, optimize, signal

from tests.reference.antenna import SectionRow, cascade

Array = NDArray[np.float64]
Spectrum = NDArray[np.complex128]

RATE_HZ = 48_000
FINE = 4
FINE_HZ = FINE * RATE_HZ
LEAD_S, TAIL_S = 0.5, 1.0  # silence around what is sent
CONVERTER_HZ = (21_000.0, 24_000.0)  # where the sound cards' filters fall to zero


@dataclass(frozen=True)
class Filter:
    """An analogue filter: numerator and denominator in s, highest power first."""

    top: tuple[float, ...]
    bottom: tuple[float, ...]

    def response(self, frequency_hz: Array) -> Spectrum:
        s = 2j * np.pi * frequency_hz
        return np.asarray(np.polyval(self.top, s) / np.polyval(self.bottom, s))


@dataclass(frozen=True, eq=False)
class Sections:
    """Analogue sections, written as in a rig file; told apart as objects, not by content."""

    rows: tuple[SectionRow, ...]

    def response(self, frequency_hz: Array) -> Spectrum:
        return cascade(self.rows, frequency_hz)


@dataclass(frozen=True)
class Bend:
    """Mild distortion without memory; unity gain for small signals.

    Parameters
    ----------
    second, third : float
        Harmonics that a sine of 100 % gets, 1.0 = 100 %, with sign.
    compression_from, compression : float
        Above this level upward, this share of the rest is lost.
    """

    second: float = 0.0
    third: float = 0.0
    compression_from: float = math.inf
    compression: float = 0.0

    def apply(self, v: Array) -> Array:
        bent = v + 2.0 * self.second * v * v + 4.0 * self.third * v**3
        return np.asarray(bent - self.compression * np.maximum(v - self.compression_from, 0.0))


Block = Filter | Sections | Bend


def all_pass(corner_hz: float, q: float | None = None) -> Filter:
    """Return an all-pass of first order, or of second order with q."""
    w = 2.0 * math.pi * corner_hz
    if q is None:
        return Filter((-1.0, w), (1.0, w))
    return Filter((1.0, -w / q, w * w), (1.0, w / q, w * w))


def chebyshev(order: int, ripple_db: float, edge_hz: float) -> Filter:
    """Return a Chebyshev low-pass (scipy.signal.cheby1)."""
    top, bottom = signal.cheby1(order, ripple_db, 2.0 * math.pi * edge_hz, analog=True)
    return Filter(tuple(map(float, top)), tuple(map(float, bottom)))


def butterworth(order: int, corner_hz: float, kind: str) -> Filter:
    """Return a Butterworth "lowpass" or "highpass" (scipy.signal.butter)."""
    top, bottom = signal.butter(order, 2.0 * math.pi * corner_hz, kind, analog=True)
    return Filter(tuple(map(float, top)), tuple(map(float, bottom)))


@dataclass(frozen=True)
class Transmitter:
    """A transmitter, from the sound card's samples to the envelope.

    Parameters
    ----------
    blocks : sequence of Filter, Sections and Bend
        In this order; the filters are scaled to magnitude 1 at 1 kHz.
    full_modulation : float
        The sample value that makes +100 % at 1 kHz for small signals; negative where the
        transmitter inverts.
    hum : tuple of (frequency in Hz, share of the carrier, phase)
        Added to the envelope.
    """

    blocks: tuple[Block, ...]
    full_modulation: float = 0.5
    hum: tuple[tuple[float, float, float], ...] = ()

    def response(self, frequency_hz: Array) -> Spectrum:
        """Return the linear response, magnitude 1 at 1 kHz, without the polarity."""
        product = np.ones(len(frequency_hz), dtype=complex)
        for block in self.blocks:
            if not isinstance(block, Bend):
                product *= scaled(block, frequency_hz)
        return product

    def modulation(self, card: Array) -> Array:
        """Return m(t) at 192 kHz, without hum; sample LEAD_S * FINE_HZ belongs to card[0]."""
        lead, tail = round(LEAD_S * RATE_HZ), round(TAIL_S * RATE_HZ)
        count = fft.next_fast_len(lead + len(card) + tail, real=True)
        count += count % 2
        padded = np.zeros(count)
        padded[lead : lead + len(card)] = card / self.full_modulation
        bins = np.zeros(FINE * count // 2 + 1, dtype=complex)
        bins[: count // 2 + 1] = FINE * fft.rfft(padded)
        frequency_hz = fft.rfftfreq(FINE * count, 1 / FINE_HZ)
        bins *= converter(frequency_hz)
        waveform = None  # whichever of the two is None is not up to date
        for block in self.blocks:
            if isinstance(block, Bend):
                if waveform is None:
                    waveform = fft.irfft(bins, FINE * count)
                waveform = block.apply(waveform)
            else:
                if waveform is not None:
                    bins, waveform = fft.rfft(waveform), None
                bins *= scaled(block, frequency_hz)
        return np.asarray(fft.irfft(bins, FINE * count) if waveform is None else waveform)

    def hum_at(self, t: Array) -> Array:
        """Return the hum at times in s."""
        total = np.zeros(len(t))
        for frequency_hz, share, phase in self.hum:
            total += share * np.cos(2.0 * np.pi * frequency_hz * t + phase)
        return total

    def envelope(self, card: Array) -> Array:
        """Return the envelope at 192 kHz, hum included, 1.0 = the carrier; it ends at zero."""
        m = self.modulation(card)
        return np.maximum(0.0, 1.0 + m + self.hum_at(np.arange(len(m)) / FINE_HZ))

    def judge(self, card: Array) -> "Verdict":
        """Return the extremes of the modulation, hum included, and count the cut-offs."""
        m = self.modulation(card)
        m += self.hum_at(np.arange(len(m)) / FINE_HZ)
        off = np.concatenate(([False], m <= -1.0))
        return Verdict(
            trough=_top(-m), crest=_top(m), cutoffs=int(np.count_nonzero(off[1:] & ~off[:-1]))
        )

    def tone(self, amplitude: float) -> tuple[float, float]:
        """Return crest and trough of a 1 kHz tone, amplitude 1.0 = full modulation."""
        t = np.arange(RATE_HZ) / RATE_HZ
        m = self.modulation(amplitude * abs(self.full_modulation) * np.sin(2000.0 * np.pi * t))
        middle = m[FINE_HZ : FINE_HZ + FINE_HZ // 4]  # settled
        return _top(middle), _top(-middle)

    def calibrated(self, limit: float) -> float:
        """Return the sample, with sign, for 100 % as a tone at the negative limit tells it.

        A 1 kHz tone of ``limit`` times this has a trough of ``limit``.
        """

        def off(amplitude: float) -> float:
            return self.tone(amplitude)[1] - limit

        return self.full_modulation * float(optimize.brentq(off, 0.5 * limit, 1.6 * limit)) / limit


@dataclass(frozen=True)
class Verdict:
    """The extremes of the true modulation; 1.0 is 100 %."""

    trough: float
    crest: float
    cutoffs: int


def scaled(block: Filter | Sections, frequency_hz: Array) -> Spectrum:
    """Return a filter's response, scaled to magnitude 1 at 1 kHz."""
    at_1_khz = abs(complex(block.response(np.array([1000.0]))[0]))
    return block.response(frequency_hz) / at_1_khz


def converter(frequency_hz: Array) -> Array:
    """Return the response of a sound card's filter."""
    low, high = CONVERTER_HZ
    above = np.clip((frequency_hz - low) / (high - low), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * above))


def _top(waveform: Array) -> float:
    """Return the highest peak, between the samples by a parabola."""
    at = int(np.argmax(waveform))
    if not 0 < at < len(waveform) - 1:
        return float(waveform[at])
    left, middle, right = waveform[at - 1 : at + 2]
    bend = left - 2.0 * middle + right
    return float(middle - (right - left) ** 2 / (8.0 * bend)) if bend < 0.0 else float(middle)


def without_bends(transmitter: Transmitter) -> Transmitter:
    """Return the same transmitter without its distortion."""
    kept: Sequence[Block] = [b for b in transmitter.blocks if not isinstance(b, Bend)]
    return replace(transmitter, blocks=tuple(kept))
