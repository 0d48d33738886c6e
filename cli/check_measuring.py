"""The later passes of ``check``: the carrier as reference, and all meters on the modulation."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from carrierfloor.cli.check_listening import Listened
from carrierfloor.cli.kept_signal import ReceivedSignal
from carrierfloor.dsp.carrier_reference import MEAN, CarrierReference, find_reference
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.harmonics import OneTone
from carrierfloor.dsp.hum_and_noise import HumAndNoise, hum_and_noise
from carrierfloor.dsp.intermodulation import TwoTones
from carrierfloor.dsp.received import ReceivedMeter, ReceivedReading
from carrierfloor.dsp.received_peaks import ReceivedPeaks, ToneRun, peaks_of, tones_cover
from carrierfloor.dsp.sidebands import shared_part
from carrierfloor.dsp.signal_kind import SHORTEST_S, lost_crest, other_than_am
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ
from carrierfloor.dsp.tone_envelope import read_tone

LONGEST_TONE_S = 60.0  # of a steady tone that is averaged
TONE_EDGE_S = 0.05  # of it that is left out at either end
BESIDE_HZ, SHARED_PART = 25.0, 0.5  # around a tone, of the power both sidebands have in common
MOST_CORRECTIONS = 3  # of a mean that cut-offs raise
SMALLEST = 3e-4  # of the carrier: a smaller one is the last


@dataclass(frozen=True, kw_only=True)
class Measured:
    """All that was measured in a recording."""

    received: ReceivedSignal
    reading: ReceivedReading
    peaks: ReceivedPeaks
    tones: tuple[ToneRun, ...]
    hum: HumAndNoise | None  # None without a quiet stretch
    cutoffs_taken_out: bool  # the mean stands for the carrier, less what cut-offs add to it

    @property
    def reference(self) -> CarrierReference:
        """What peaks are measured against."""
        return self.received.reference


def measure(heard: Listened, progress: Callable[[float], None]) -> Measured:
    """Measure what was heard.

    Parameters
    ----------
    heard : Listened
        The recording.
    progress : callable
        Gets the part of a pass that is done, 0 to 1.

    Raises
    ------
    AudioError
        If it is no amplitude modulation with a carrier, or too short; in words.
    """
    reference = find_reference(heard.rows)
    _refuse(heard, reference)
    received, reading, tones = _pass(heard, reference, progress)
    taken_out = False
    if reference.kind == MEAN or reference.is_followed:
        for _ in range(MOST_CORRECTIONS):
            if not _has_cutoffs(reading, tones):
                break
            before = received.reference
            better = _without_cutoffs(heard, before, reading, tones)
            taken_out = True
            received, reading, tones = _pass(heard, better, progress)
            if better.change_from(before) < SMALLEST:
                break
    return Measured(
        received=received,
        reading=reading,
        peaks=_with_moving_phase(heard, received.reference, peaks_of(reading, tones)),
        tones=tones,
        hum=_hum(reading, heard.half_width_hz),
        cutoffs_taken_out=taken_out,
    )


def _with_moving_phase(
    heard: Listened, reference: CarrierReference, peaks: ReceivedPeaks
) -> ReceivedPeaks:
    """Return peaks whose error holds what a phase that moves with the modulation takes off."""
    lost = lost_crest(heard.rows, reference, peaks.positive_peak)
    return replace(peaks, error=math.hypot(peaks.error, 0.5 * lost))  # twice that is shown


def _refuse(heard: Listened, reference: CarrierReference) -> None:
    if heard.duration_s < SHORTEST_S:
        raise AudioError(f"lasts {heard.duration_s:.2g} s; {SHORTEST_S:g} s are needed at least")
    if heard.track is not None:
        other = other_than_am(heard.rows, reference, heard.track.was_found)
        if other is not None:
            raise AudioError(other)


def _pass(
    heard: Listened, reference: CarrierReference, progress: Callable[[float], None]
) -> tuple[ReceivedSignal, ReceivedReading, tuple[ToneRun, ...]]:
    received = ReceivedSignal(heard.kept, reference, heard.half_width_hz)
    meter = ReceivedMeter(reference, heard.half_width_hz, heard.least_aim)
    for stretch in received.blocks():
        meter.feed(stretch)
        progress((stretch.first + len(stretch.modulation)) / received.samples)
    reading = _own_tones_only(meter.finish(), heard)
    if heard.track is None:
        reading = replace(reading, floor=None)  # a detector's knee makes flat bottoms too
    return received, reading, tuple(_tones(received, reading, heard.least_aim))


def _own_tones_only(reading: ReceivedReading, heard: Listened) -> ReceivedReading:
    """Leave out steady lines that only one side of the carrier has: another station's."""
    if heard.fine is None or not reading.steady.runs:
        return reading
    spectrum = heard.fine.read(1.0)
    own = tuple(
        run
        for run in reading.steady.runs
        if all(
            shared_part(spectrum, hz - BESIDE_HZ, hz + BESIDE_HZ) > SHARED_PART
            for hz in _frequencies_hz(run.reading)
        )
    )
    if len(own) == len(reading.steady.runs):
        return reading
    why = "" if own else "the lines that are there have no mirror image: another station's"
    return replace(reading, steady=replace(reading.steady, runs=own, why=why))


def _frequencies_hz(tones: OneTone | TwoTones) -> tuple[float, ...]:
    if isinstance(tones, OneTone):
        return (tones.frequency_hz,)
    return tones.low_hz, tones.high_hz


def _tones(received: ReceivedSignal, reading: ReceivedReading, least_aim: float) -> list[ToneRun]:
    """Average every run of one steady tone."""
    found = []
    for run in reading.steady.runs:
        if not isinstance(run.reading, OneTone):
            continue
        edge_s = min(TONE_EDGE_S, run.duration_s / 8.0)
        last_s = min(run.start_s + run.duration_s - edge_s, run.start_s + LONGEST_TONE_S)
        first, last = (round(SAMPLE_RATE_HZ * at) for at in (run.start_s + edge_s, last_s))
        envelope = read_tone(
            received.take(first, last - first),
            run.reading.frequency_hz,
            received.half_width_hz,
            least_aim,
        )
        if envelope is not None:
            found.append(ToneRun(start_s=run.start_s, duration_s=run.duration_s, envelope=envelope))
    return found


def _has_cutoffs(reading: ReceivedReading, tones: tuple[ToneRun, ...]) -> bool:
    return bool(reading.cutoffs.count) or any(run.envelope.is_cut_off for run in tones)


def _without_cutoffs(
    heard: Listened,
    reference: CarrierReference,
    reading: ReceivedReading,
    tones: tuple[ToneRun, ...],
) -> CarrierReference:
    """Take what cut-offs add to the mean out of a reference that is the mean."""
    if tones_cover(reading, tones):
        means = [run.envelope.wanted_mean * run.duration_s for run in tones]
        return reference.scaled(sum(means) / sum(run.duration_s for run in tones))
    return find_reference(heard.rows, reading.raised * reference.height)


def _hum(reading: ReceivedReading, half_width_hz: float) -> HumAndNoise | None:
    if reading.quiet is None:
        return None
    return hum_and_noise(reading.quiet.samples, SAMPLE_RATE_HZ, half_width_hz)
