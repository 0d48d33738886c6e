"""Measuring the spectrum beside a carrier over a stream, in constant memory.

The mean is the average of modified periodograms (P. D. Welch, "The use of fast Fourier transform
for the estimation of power spectra", IEEE Trans. Audio Electroacoust. 15, 1967).  The highest level
of each bin in any segment is the peak hold of an analyser whose filter is the window: segments
begin a quarter of their length apart, so that a click reads at most 3.2 dB low, wherever it falls.
"""

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rf_spectrum import RfSpectrum
from carrierfloor.dsp.spectral_window import RESOLUTION_BINS, blackman_harris
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.waterfall import Waterfall, WaterfallRows

RESOLUTION_HZ = 300.0  # 47 CFR 73.44(a)
FINE_RESOLUTION_HZ = 12.0  # for bandwidths: finer than the pitch of a voice
WIDEST_HZ = 120_000.0  # on each side of the carrier
OVERLAP = 4  # segments that hold each sample
BATCH_SAMPLES = 16_384  # of segments transformed at once, about
FEWEST, MOST = 8, 64  # segments at once
ROW_S = 0.1  # of the finest waterfall
# A carrier that is off by this part of a bin changes no level by more than 0.001 dB.
RETUNE_BINS = 0.02

Samples = NDArray[Any]  # complex, or float64 of a low intermediate frequency


class _Sums(NamedTuple):
    """Sums over some segments, in the units of the recording."""

    power: Block  # shape (bins,)
    peak: Block
    shared: Block  # shape (lines that both sides have,)
    segments: int


class SpectrumMeter:
    """Average the spectrum around a carrier.

    Parameters
    ----------
    sample_rate_hz : float
        Of the stream.
    resolution_hz : float
        Width of the analysing filter between its points 3 dB down; the next length of segment that
        transforms fast makes it up to a few percent finer.
    lowest_hz, highest_hz : float, optional
        Offsets from the carrier between which the recording holds what was on the air: for IQ with
        the carrier at c minus and plus half the rate, less c; for a real recording with the
        carrier at c from -c to half the rate less c.  At most WIDEST_HZ either way is used.
    keeps_rows : bool
        Whether a waterfall is wanted too.
    begins_s : float
        When the stream begins in the recording, for the waterfall.

    Raises
    ------
    SettingError
        If the resolution does not suit the rate, or the carrier is not within the band.
    """

    def __init__(
        self,
        sample_rate_hz: float,
        *,
        resolution_hz: float = RESOLUTION_HZ,
        lowest_hz: float | None = None,
        highest_hz: float | None = None,
        keeps_rows: bool = False,
        begins_s: float = 0.0,
    ) -> None:
        if not 1.0 <= resolution_hz <= sample_rate_hz / 32.0:
            raise SettingError(
                f"resolution is {resolution_hz:g} Hz; it must be 1 to {sample_rate_hz / 32.0:g} Hz "
                "at this sample rate"
            )
        self._rate_hz, self._begins_s = sample_rate_hz, begins_s
        wanted = math.ceil(RESOLUTION_BINS * sample_rate_hz / resolution_hz)
        self._length = int(fft.next_fast_len(wanted, real=True))  # factors 2, 3, 5: fastest
        self._hop = self._length // OVERLAP
        self.bin_hz = sample_rate_hz / self._length
        self._first, self._last = self._band(lowest_hz, highest_hz)
        self._both = min(-self._first, self._last)  # lines that each side has
        self._window = blackman_harris(self._length)
        self._tuned_hz, self._tuned = 0.0, self._window.astype(np.complex64)
        self._batch = min(MOST, max(FEWEST, BATCH_SAMPLES // self._length))
        self._blocks: list[NDArray[np.complex64]] = []  # not yet used up
        self._held, self._begin = 0, 0  # samples in them, and the number of the first
        self._gaps: list[tuple[int, int]] = []  # samples that do not count, from and to
        bins = self._last - self._first + 1
        self._sums = _Sums(np.zeros(bins), np.zeros(bins), np.zeros(self._both), 0)
        row = max(1, round(ROW_S * sample_rate_hz / (self._batch * self._hop)))
        self._rows = WaterfallRows(bins, row) if keeps_rows else None

    def feed(self, samples: Samples, carrier_hz: float = 0.0, counted: bool = True) -> None:
        """Take the next samples.

        Parameters
        ----------
        samples : ndarray, shape (n,)
            Complex, or real with the carrier at a low frequency; any n.
        carrier_hz : float
            Where the carrier is in them.
        counted : bool
            False where there is no carrier: shown in the waterfall, and in nothing else.
        """
        block = np.asarray(samples, dtype=np.complex64)
        if not np.iscomplexobj(samples):
            block = np.float32(2.0) * block  # half of a real carrier goes the other way
        elif block is samples:
            block = block.copy()
        end = self._begin + self._held + len(block)
        if not counted and len(block):
            self._gaps.append((end - len(block), end))
        self._blocks.append(block)
        self._held += len(block)
        needed = (self._batch - 1) * self._hop + self._length
        if self._held < needed:
            return
        waiting = np.concatenate(self._blocks)
        while self._held >= needed:
            self._take(waiting[:needed], carrier_hz)
            waiting = waiting[self._batch * self._hop :]
            self._held, self._begin = len(waiting), self._begin + self._batch * self._hop
        self._blocks = [waiting.copy()]

    def read(self, carrier_amplitude: float) -> RfSpectrum:
        """Return the spectrum of all that was fed and counted.

        Parameters
        ----------
        carrier_amplitude : float
            Of the unmodulated carrier in the recording: of the complex tone, or of the real sine.
        """
        sums = self._sums
        rest = self._rest()
        if rest is not None and not self._in_a_gap(self._held):
            sums = _added(sums, rest)
        scale = self._scale(carrier_amplitude)
        count = max(1, sums.segments)
        mean = sums.power * (scale / count)
        side = sums.shared * (scale / count)
        shared = np.zeros(len(mean))
        shared[-self._first] = mean[-self._first]
        shared[1 - self._first : 1 - self._first + self._both] = side
        shared[-self._first - self._both : -self._first] = side[::-1]
        return RfSpectrum(
            offset_hz=self._offsets_hz(),
            mean_power=mean,
            peak_power=sums.peak * scale,
            shared_power=shared,
            usable=np.ones(len(mean), dtype=bool),
            bin_hz=self.bin_hz,
            duration_s=sums.segments * self._hop / self._rate_hz,
            segments=sums.segments,
        )

    def read_waterfall(self, carrier_amplitude: float) -> Waterfall:
        """Return the spectrum over time; the meter must have been told to keep it."""
        if self._rows is None:
            raise ValueError("made without keeps_rows")
        scale = np.float32(self._scale(carrier_amplitude))
        mean, peak = self._rows.read()
        piece_s = self._batch * self._hop / self._rate_hz
        return Waterfall(
            row_s=self._rows.pieces_a_row * piece_s,
            begins_s=self._begins_s,
            duration_s=self._begin / self._rate_hz,
            offset_hz=self._offsets_hz(),
            mean_power=mean * scale,
            peak_power=peak * scale,
        )

    def _band(self, lowest_hz: float | None, highest_hz: float | None) -> tuple[int, int]:
        """Return the numbers of the first and last bin that are kept, from the carrier."""
        half_hz = self._rate_hz / 2.0
        low_hz = max(-WIDEST_HZ, -half_hz if lowest_hz is None else lowest_hz)
        high_hz = min(WIDEST_HZ, half_hz if highest_hz is None else highest_hz)
        first, last = math.ceil(low_hz / self.bin_hz), math.floor(high_hz / self.bin_hz)
        if not first < 0 < last:
            raise SettingError(
                f"the band from {low_hz:g} to {high_hz:g} Hz does not hold the carrier and "
                f"{self.bin_hz:g} Hz on each side of it"
            )
        return first, min(last, first + self._length - 1)

    def _offsets_hz(self) -> Block:
        return np.asarray(np.arange(self._first, self._last + 1) * self.bin_hz)

    def _scale(self, carrier_amplitude: float) -> float:
        """Return what makes a squared line the power of a bin, carrier = 1."""
        return 1.0 / (self._length * float(np.sum(self._window**2)) * carrier_amplitude**2)

    def _take(self, samples: NDArray[np.complex64], carrier_hz: float) -> None:
        """Measure a whole batch."""
        self._tune(carrier_hz)
        sums = self._measure(samples, self._batch)
        if self._rows is not None:
            self._rows.add(sums.power / sums.segments, sums.peak)
        if not self._in_a_gap(len(samples)):
            self._sums = _added(self._sums, sums)

    def _rest(self) -> _Sums | None:
        """Measure the whole segments of what is waiting, without taking it away."""
        if self._held < self._length:
            return None
        return self._measure(
            np.concatenate(self._blocks), (self._held - self._length) // self._hop + 1
        )

    def _in_a_gap(self, count: int) -> bool:
        """Tell whether any of the oldest samples does not count; forget older gaps."""
        self._gaps = [gap for gap in self._gaps if gap[1] > self._begin]
        return any(start < self._begin + count for start, _ in self._gaps)

    def _tune(self, carrier_hz: float) -> None:
        if abs(carrier_hz - self._tuned_hz) <= RETUNE_BINS * self.bin_hz:
            return
        turns = np.arange(self._length) * (carrier_hz / self._rate_hz)
        self._tuned = (self._window * np.exp(-2j * np.pi * turns)).astype(np.complex64)
        self._tuned_hz = carrier_hz

    def _measure(self, samples: NDArray[np.complex64], count: int) -> _Sums:
        """Transform segments, mixed down by their window."""
        views = np.lib.stride_tricks.sliding_window_view(samples, self._length)
        segments = views[:: self._hop][:count] * self._tuned
        lines = fft.fft(segments, axis=1, overwrite_x=True)
        lines = np.concatenate([lines[:, self._first :], lines[:, : self._last + 1]], axis=1)
        power = np.square(lines.real) + np.square(lines.imag)
        middle = -self._first
        carrier, at_carrier = np.conj(lines[:, middle]), power[:, middle]
        back = np.square(carrier) / np.maximum(at_carrier, np.float32(1e-30))
        upper = lines[:, middle + 1 : middle + 1 + self._both]
        lower = lines[:, middle - self._both : middle][:, ::-1]
        shared = (upper * lower * back[:, np.newaxis]).real
        return _Sums(
            power.sum(axis=0, dtype=np.float64),
            power.max(axis=0).astype(np.float64),
            shared.sum(axis=0, dtype=np.float64),
            count,
        )


def _added(one: _Sums, other: _Sums) -> _Sums:
    return _Sums(
        one.power + other.power,
        np.maximum(one.peak, other.peak),
        one.shared + other.shared,
        one.segments + other.segments,
    )
