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

from carrierfloor.dsp.interpolation import FINE_RATE_HZ
from carrierfloor.dsp.stage import Block

KEEP_EVERY = 2  # of the 384 kHz grid: 192 kHz; folded products lie 60 dB below those they meet
RATE_HZ = FINE_RATE_HZ / KEEP_EVERY
SEGMENT = 16384  # 85 ms; bins of 11.7 Hz
HOP = SEGMENT // 2
FLOOR_DBC = -200.0  # what an empty spectrum reads
OCCUPIED_SHARE = 0.01


@dataclass(frozen=True)
class Emission:
    """Power around the carrier; the spectrum is the same on both sides of it."""

    offset_hz: Block  # shape (n,), from 0
    power: Block  # shape (n,), mean power of each bin on one side, carrier = 1
    worst_power: Block  # shape (n,), the highest of any segment (85 ms)
    worst_beyond: Block  # shape (n,), the highest power of any segment beyond, both sides

    def beyond_dbc(self, offset_hz: float, up_to_hz: float = math.inf) -> float:
        """Return the mean power of both sides beyond an offset from the carrier."""
        wanted = (self.offset_hz > offset_hz) & (self.offset_hz <= up_to_hz)
        return _db(2.0 * float(self.power[wanted].sum()))

    def worst_beyond_dbc(self, offset_hz: float) -> float:
        """Return the same in the worst 85 ms."""
        first = int(np.searchsorted(self.offset_hz, offset_hz, side="right"))
        return _db(float(self.worst_beyond[first]))

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
        self._window = np.hanning(SEGMENT + 1)[:-1]
        self._scale = 1.0 / (SEGMENT * float(np.sum(self._window**2)))
        self.reset()

    def reset(self) -> None:
        """Forget all past input."""
        self._waiting = np.zeros(SEGMENT - HOP)  # modulation, none before the beginning
        self._segments = 0
        bins = SEGMENT // 2 + 1
        self._power, self._worst, self._beyond = np.zeros(bins), np.zeros(bins), np.zeros(bins)

    def feed(self, fine: Block) -> None:
        """Take the next samples of m at 384 kHz, shape (n,), n a multiple of 2."""
        joined = np.concatenate([self._waiting, fine[::KEEP_EVERY]])
        start = 0
        while start + SEGMENT <= len(joined):
            self._add(joined[start : start + SEGMENT])
            start += HOP
        self._waiting = joined[start:].copy()

    def read(self) -> Emission:
        """Return the spectrum of all complete segments that were fed."""
        count = max(1, self._segments)
        return Emission(
            offset_hz=np.fft.rfftfreq(SEGMENT, 1.0 / RATE_HZ),
            power=self._power / count,
            worst_power=self._worst.copy(),
            worst_beyond=self._beyond.copy(),
        )

    def _add(self, modulation: Block) -> None:
        envelope = np.maximum(0.0, 1.0 + modulation)
        lines = np.fft.rfft(envelope * self._window)
        power = (lines.real**2 + lines.imag**2) * self._scale
        beyond = 2.0 * np.cumsum(power[::-1])[::-1]
        self._power += power
        np.maximum(self._worst, power, out=self._worst)
        np.maximum(self._beyond, beyond, out=self._beyond)
        self._segments += 1


def _db(power: float) -> float:
    return 10.0 * math.log10(power) if power > 10.0 ** (FLOOR_DBC / 10.0) else FLOOR_DBC
