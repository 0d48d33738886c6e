"""The spectrum around the carrier: what the envelope puts on the neighbours.

A real plate-modulated stage whose plate voltage reaches zero stays off; it does not reverse its
phase.  So the envelope is e = max(0, 1 + m), and its corners are what splatters.  All figures are
in dB below the *unmodulated* carrier (dBc).

The spectrum is the average of modified periodograms (P. D. Welch, "The use of fast Fourier
transform for the estimation of power spectra", IEEE Trans. Audio Electroacoust. 15, 1967).
Occupied bandwidth: 0.5 % of the mean power below and above (47 CFR 2.202(a), ITU Radio
Regulations 1.153).
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.interpolation import FACTOR, FINE_RATE_HZ
from carrierfloor.dsp.stage import Block

# The corners of e have no end to their spectrum; on the 192 kHz grid what folds back onto 5 kHz
# lies 60 dB below what is there (corners fall by 12 dB an octave).
SEGMENT = 16384  # 85 ms; bins of 11.7 Hz
HOP = SEGMENT // 2
FLOOR_DBC = -200.0  # what an empty spectrum reads
OCCUPIED_SHARE = 0.01  # 47 CFR 2.202(a): left out, half of it on each side


@dataclass(frozen=True)
class Emission:
    """Power around the carrier; the spectrum is the same on both sides of it."""

    offset_hz: Block  # shape (n,), from 0
    power: Block  # shape (n,), mean power of each bin on one side, carrier = 1
    worst_power: Block  # shape (n,), the highest of any 85 ms
    worst_beyond: Block  # shape (n,), the highest power of any 85 ms from there on, both sides

    def beyond_dbc(self, offset_hz: float, up_to_hz: float = math.inf) -> float:
        """Return the mean power of both sides beyond an offset from the carrier."""
        wanted = (self.offset_hz > offset_hz) & (self.offset_hz <= up_to_hz)
        return to_dbc(2.0 * float(self.power[wanted].sum()))

    def worst_beyond_dbc(self, offset_hz: float) -> float:
        """Return the power of both sides beyond an offset in the worst 85 ms."""
        first = int(np.searchsorted(self.offset_hz, offset_hz, side="right"))
        return to_dbc(float(self.worst_beyond[first]))

    @property
    def occupied_bandwidth_hz(self) -> float:
        """The width that holds 99 % of the mean power, carrier included.

        The carrier dominates it: below about 10 % rms of m all sidebands together are less than
        1 % and the figure collapses to the carrier line.
        """
        total = 2.0 * float(self.power.sum()) - float(self.power[0])
        beyond = np.cumsum(self.power[::-1])[::-1]  # on one side, this bin included
        inside = np.flatnonzero(beyond >= OCCUPIED_SHARE / 2.0 * total)
        return 2.0 * float(self.offset_hz[inside[-1]]) if len(inside) else 0.0


class EmissionMeter:
    """Average the spectrum of the envelope over a stream, in constant memory."""

    def __init__(self) -> None:
        self._windows = {step: np.hanning(SEGMENT // step + 1)[:-1] * step for step in (1, FACTOR)}
        self._scale = 1.0 / (SEGMENT * float(np.sum(self._windows[1] ** 2)))
        self.reset()

    def reset(self) -> None:
        """Forget all past input."""
        self._waiting = np.zeros(SEGMENT - HOP)  # no modulation before the beginning
        self._segments = 0
        bins = SEGMENT // 2 + 1
        self._power, self._worst, self._beyond = np.zeros(bins), np.zeros(bins), np.zeros(bins)

    def feed(self, fine: Block) -> None:
        """Take the next points of m at 192 kHz, shape (4 n,)."""
        joined = np.concatenate([self._waiting, fine])
        count = max(0, (len(joined) - SEGMENT) // HOP + 1)
        for start in range(0, count * HOP, HOP):
            self._add(joined[start : start + SEGMENT])
        self._waiting = joined[count * HOP :].copy()

    def read(self) -> Emission:
        """Return the spectrum of all complete segments that were fed."""
        count = max(1, self._segments)
        return Emission(
            offset_hz=np.linspace(0.0, FINE_RATE_HZ / 2, SEGMENT // 2 + 1),
            power=self._power / count,
            worst_power=self._worst.copy(),
            worst_beyond=self._beyond.copy(),
        )

    def _add(self, modulation: Block) -> None:
        """Add one segment; without a corner in it, its own samples say all there is."""
        step = FACTOR if modulation.min() > -1.0 else 1
        envelope = np.maximum(0.0, 1.0 + modulation[::step])
        lines = np.fft.rfft(envelope * self._windows[step])
        bins = len(lines)
        power = (lines.real**2 + lines.imag**2) * self._scale
        self._power[:bins] += power
        np.maximum(self._worst[:bins], power, out=self._worst[:bins])
        beyond = 2.0 * np.cumsum(power[::-1])[::-1]
        np.maximum(self._beyond[:bins], beyond, out=self._beyond[:bins])
        self._segments += 1


def to_dbc(power: float) -> float:
    """Return a power over the carrier's in dB, FLOOR_DBC if there is none."""
    return 10.0 * math.log10(power) if power > 10.0 ** (FLOOR_DBC / 10.0) else FLOOR_DBC
