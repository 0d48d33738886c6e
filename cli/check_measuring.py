"""The later passes of ``check``: the carrier as reference, and all meters on the modulation."""

from collections.abc import Callable
from dataclasses import dataclass

from carrierfloor.cli.check_listening import Listened
from carrierfloor.cli.kept_signal import ReceivedSignal
from carrierfloor.dsp.carrier_reference import MEAN, CarrierReference, find_reference
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.harmonics import OneTone
from carrierfloor.dsp.hum_and_noise import HumAndNoise, hum_and_noise
from carrierfloor.dsp.received import ReceivedMeter, ReceivedReading
from carrierfloor.dsp.received_peaks import TONE, ReceivedPeaks, ToneRun, peaks_of
from carrierfloor.dsp.signal_kind import SHORTEST_S, other_than_am
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ
from carrierfloor.dsp.tone_envelope import read_tone

LONGEST_TONE_S = 60.0  # of a steady tone that is averaged
TONE_EDGE_S = 0.05  # of it that is left out at either end
SMALLEST_SHIFT = 1e-4  # of the carrier: less is not worth another pass


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
    if (reference.kind == MEAN or reference.is_followed) and _has_cutoffs(reading, tones):
        better = _without_cutoffs(heard, reference, reading, tones)
        taken_out = True
        received, reading, tones = _pass(heard, better, progress)
    return Measured(
        received=received,
        reading=reading,
        peaks=peaks_of(reading, tones),
        tones=tones,
        hum=_hum(reading, heard.half_width_hz),
        cutoffs_taken_out=taken_out,
    )


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
    meter = ReceivedMeter(reference, heard.half_width_hz)
    for stretch in received.blocks():
        meter.feed(stretch)
        progress((stretch.first + len(stretch.modulation)) / received.samples)
    reading = meter.finish()
    return received, reading, tuple(_tones(received, reading))


def _tones(received: ReceivedSignal, reading: ReceivedReading) -> list[ToneRun]:
    """Average every run of one steady tone."""
    found = []
    for run in reading.steady.runs:
        if not isinstance(run.reading, OneTone):
            continue
        edge_s = min(TONE_EDGE_S, run.duration_s / 8.0)
        last_s = min(run.start_s + run.duration_s - edge_s, run.start_s + LONGEST_TONE_S)
        first, last = (round(SAMPLE_RATE_HZ * at) for at in (run.start_s + edge_s, last_s))
        envelope = read_tone(
            received.part(first, last), run.reading.frequency_hz, received.half_width_hz
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
    if peaks_of(reading, tones).by == TONE:
        means = [run.envelope.wanted_mean * run.duration_s for run in tones]
        return reference.scaled(sum(means) / sum(run.duration_s for run in tones))
    return find_reference(heard.rows, reading.raised * reference.height)


def _hum(reading: ReceivedReading, half_width_hz: float) -> HumAndNoise | None:
    if reading.quiet is None:
        return None
    return hum_and_noise(reading.quiet.samples, SAMPLE_RATE_HZ, half_width_hz)
