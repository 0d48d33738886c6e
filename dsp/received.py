"""What the antenna did: all meters on the modulation of a received signal."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.activity import ActiveSpeech, ActiveSpeechMeter
from carrierfloor.dsp.carrier_reference import CarrierReference
from carrierfloor.dsp.carrier_rows import ROW, ROW_S
from carrierfloor.dsp.cutoff_finder import SMALLEST, CutoffFinder, CutoffReading
from carrierfloor.dsp.held_floor import HeldFloor, HeldFloorFinder
from carrierfloor.dsp.interpolation import FACTOR, FINE_RATE_HZ, Interpolator
from carrierfloor.dsp.modulation import HISTOGRAM_M, ModulationMeter, ModulationReading
from carrierfloor.dsp.overview import Overview, OverviewMeter, WorstMoment, WorstMomentFinder
from carrierfloor.dsp.peak_heights import PeakHeights
from carrierfloor.dsp.quiet_stretch import Quiet, QuietStretch
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.steady_tones import SteadyReport, SteadyTones


@dataclass(frozen=True)
class Stretch:
    """A stretch of received modulation at 48 kHz."""

    first: int  # number of its first sample in the recording
    modulation: Block  # m, shape (n,), noise included; 0 where there is no carrier
    known: NDArray[np.bool_]  # shape (n,)


@dataclass(frozen=True, kw_only=True)
class ReceivedReading:
    """What the meters read; m is 1.0 at 100 %."""

    modulation: ModulationReading  # as read, noise and ringing included; histogram: while modulated
    crests: NDArray[np.int64]  # heights of all crests, see ``peak_heights``
    troughs: NDArray[np.int64]
    cutoffs: CutoffReading
    floor: HeldFloor | None
    off_rows: NDArray[np.bool_]  # rows of 20 ms with cut-offs
    raised: Block  # by which cut-offs raised the mean of each row of 20 ms
    overview: Overview
    worst_moment: WorstMoment
    speech: ActiveSpeech  # of m; noise included
    steady: SteadyReport
    quiet: Quiet | None
    noise_rms: float  # of m
    reference_error: float  # of the carrier's height, a part of it
    known_s: float  # with a carrier
    modulated_s: float  # of it, while something modulates it
    carrier_ratio: float  # mean envelope over the carrier, while modulated
    power_ratio: float  # mean power over the carrier's, while modulated
    rms: float  # of m, while modulated


class ReceivedMeter:
    """Measure a received signal whose carrier is known.

    Parameters
    ----------
    reference : CarrierReference
        What peaks are measured against.
    half_width_hz : float
        What is in the recording on each side of the carrier.
    least_aim : float
        Of the carrier: less deep below zero than this no cut-off is beyond doubt.
    """

    def __init__(
        self, reference: CarrierReference, half_width_hz: float, least_aim: float = SMALLEST
    ) -> None:
        self._reference = reference
        self._noise_points = FINE_RATE_HZ / (2.0 * half_width_hz)
        self._interpolator = Interpolator()
        starts_at_s = -self._interpolator.delay_samples / SAMPLE_RATE_HZ
        self._cutoffs = CutoffFinder(len(reference.height), starts_at_s, least_aim)
        self._modulation = ModulationMeter(starts_at_s)
        self._overview = OverviewMeter(starts_at_s)
        self._worst_moment = WorstMomentFinder(starts_at_s)
        self._heights = PeakHeights()
        self._floor = HeldFloorFinder(half_width_hz)
        self._speech = ActiveSpeechMeter()
        self._steady, self._quiet = SteadyTones(half_width_hz), QuietStretch()
        self._histogram = np.zeros(len(HISTOGRAM_M) - 1, dtype=np.int64)
        self._samples, self._sum, self._squares = 0, 0.0, 0.0  # while modulated

    def feed(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        m = stretch.modulation
        self._speech.feed(m)
        self._steady.feed(m, stretch.known)
        self._quiet.feed(m, stretch.known)
        modulated = self._modulated(stretch)
        self._add(m[modulated])
        noise_rms = self._reference.noise_rms(stretch.first, max(1, len(m)))
        fine = self._feed_fine(m, noise_rms)
        self._spread(fine[np.repeat(modulated, FACTOR)])

    def finish(self) -> ReceivedReading:
        """Return the readings."""
        self._feed_fine(np.zeros(self._interpolator.delay_samples), 0.0)
        reference, count = self._reference, max(1, self._samples)
        modulated = reference.modulated
        noise = _noise(reference, modulated if modulated.any() else reference.known)
        mean, mean_square = self._sum / count, self._squares / count - noise**2
        return ReceivedReading(
            modulation=replace(self._modulation.read(), histogram=self._histogram),
            crests=self._heights.crests,
            troughs=self._heights.troughs,
            cutoffs=self._cutoffs.read(),
            floor=self._floor.read(noise),
            off_rows=self._cutoffs.per_row > 0.0,
            raised=self._cutoffs.raised.copy(),
            overview=self._overview.read(),
            worst_moment=self._worst_moment.read(),
            speech=self._speech.read(),
            steady=self._steady.read(),
            quiet=self._quiet.read(),
            noise_rms=noise,
            reference_error=reference.error,
            known_s=float(np.count_nonzero(reference.known)) * ROW_S,
            modulated_s=float(np.count_nonzero(modulated)) * ROW_S,
            carrier_ratio=1.0 + mean,
            power_ratio=1.0 + 2.0 * mean + mean_square,
            rms=math.sqrt(max(0.0, mean_square)),
        )

    def _modulated(self, stretch: Stretch) -> NDArray[np.bool_]:
        """Return which samples lie where something modulates the carrier."""
        rows = (stretch.first + np.arange(len(stretch.modulation))) // ROW
        inside = rows < len(self._reference.height)
        modulated = self._reference.modulated
        chosen = stretch.known & inside
        chosen[inside] &= modulated[rows[inside]]
        return np.asarray(chosen)

    def _add(self, m: Block) -> None:
        """Take samples of modulated time."""
        self._samples += len(m)
        self._sum += float(m.sum())
        self._squares += float(np.dot(m, m))

    def _spread(self, fine: Block) -> None:
        """Count points of modulated time."""
        bins = np.floor((fine - HISTOGRAM_M[0]) * 100.0).astype(np.int64)
        bins = np.clip(bins, 0, len(self._histogram) - 1)
        self._histogram += np.bincount(bins, minlength=len(self._histogram))

    def _feed_fine(self, m: Block, noise_rms: float) -> Block:
        fine = self._interpolator.process(m)
        self._cutoffs.feed(fine, noise_rms, self._noise_points)
        self._modulation.feed(fine)
        self._overview.feed(fine)
        self._worst_moment.feed(fine)
        self._heights.feed(fine)
        self._floor.feed(fine, noise_rms)
        return fine


def stretch_of(in_phase: Block, first: int, reference: CarrierReference) -> Stretch:
    """Return the modulation of a stretch of the part along the carrier.

    Where a carrier begins or ends the modulation fades in or out within 20 ms, which are not
    counted as known: a jump there would ring.

    Parameters
    ----------
    in_phase : ndarray, shape (n,)
        At 48 kHz.
    first : int
        Number of its first sample in the recording.
    reference : CarrierReference
        What it is measured against.
    """
    samples = first + np.arange(len(in_phase))
    known = np.append(reference.known, False)
    rows = np.minimum(samples // ROW, len(known) - 1)
    inside = (
        known[rows] & known[np.maximum(rows - 1, 0)] & known[np.minimum(rows + 1, len(known) - 1)]
    )
    inside &= rows > 0
    m = np.zeros(len(in_phase))
    with_carrier = known[rows]
    heights = reference.at(first, len(in_phase))
    m[with_carrier] = in_phase[with_carrier] / heights[with_carrier] - 1.0
    edge = with_carrier & ~inside
    if edge.any():
        part = (samples[edge] % ROW + 0.5) / ROW
        rising = ~known[np.maximum(rows[edge] - 1, 0)] | (rows[edge] == 0)
        m[edge] *= np.sin(0.5 * np.pi * np.where(rising, part, 1.0 - part)) ** 2
    return Stretch(first, m, inside)


def _noise(reference: CarrierReference, rows: NDArray[np.bool_]) -> float:
    """Return the rms of the noise over the carrier in some rows."""
    if not rows.any():
        return 0.0
    return float(np.sqrt(np.mean(reference.noise[rows] / np.square(reference.height[rows]))))
