"""Notes: what a person should know about a checked recording, in sentences."""

from collections.abc import Iterator

import numpy as np

from carrierfloor.cli.check_apply import is_applied
from carrierfloor.cli.check_emission import Emission
from carrierfloor.cli.check_hearing import lies_in_the_middle
from carrierfloor.cli.check_listening import Listened
from carrierfloor.cli.check_measuring import Measured
from carrierfloor.cli.check_options import CheckOptions
from carrierfloor.cli.recording_in import DETECTOR, IF, IQ
from carrierfloor.cli.report import Report
from carrierfloor.dsp.carrier_rows import ROW_S
from carrierfloor.dsp.signal_kind import lost_crest, part_across

MUCH_NOISE_PCT = 2.0  # of the carrier
NARROW_HZ = 5000.0  # on each side of the carrier: less may not hold the audio
MUCH_CONSTANT_PCT = 1.0  # of the carrier
MUCH_SHIFT_DB = 0.3
MUCH_LOST = 0.005  # of the carrier
MUCH_ACROSS = 0.1  # of the sidebands' power
MUCH_FADING_DB = 1.0
UNEVEN_DB = 1.5
DEEPER_PCT = 0.5
LONG_OFF_MS = 20.0  # a period of 50 Hz; a voice has none so long
LOUD_HUM_DB = -40.0
KINDS = {
    IQ: "IQ: it has two channels",
    IF: "an intermediate frequency: there is a carrier in it",
    DETECTOR: "a detector recording: there is no carrier in it",
}
READ_TO_THE_END = 0.995  # of what the header promises


def notes(heard: Listened, measured: Measured, emission: Emission, report: Report) -> list[str]:
    """Return the notes on one recording."""
    return [
        *_on_recording(heard, report),
        *_on_reference(measured, report),
        *_on_peaks(heard, measured, report),
        *_on_signal(heard, measured, report),
        *(f"Mask {one['name']}: {note}." for one in report["emission"]["masks"]
          for note in one["notes"]),
    ]  # fmt: skip


def on_verdict(options: CheckOptions, report: Report) -> Iterator[str]:
    """Yield a note if the rig file has changed by this very recording."""
    if options.rig is None or not report["verdict"]["corrections"]:
        return
    if is_applied(options.rig, options.recording):
        yield (
            f"{options.rig} was changed by this very recording, which was made before that: "
            "process the audio with it and record again."
        )


def _on_recording(heard: Listened, report: Report) -> Iterator[str]:
    recording = report["recording"]
    if 0.0 < heard.part_read < READ_TO_THE_END:
        yield (
            f"The recording ends after {heard.duration_s:.1f} s; its header promises "
            f"{heard.duration_s / heard.part_read:.1f} s."
        )
    if not heard.head.kind_was_given:
        kind = KINDS[heard.head.kind]
        yield f"Taken for {kind}; say --kind if it is something else."
    wanted_hz = min(heard.head.half_width_hz, NARROW_HZ)
    if heard.track is not None and heard.half_width_hz < 0.99 * wanted_hz:
        yield (
            f"Only {heard.half_width_hz / 1000.0:.1f} kHz on each side of the carrier were heard, "
            "because the recorded band ends there: what modulates faster is missing, and peaks "
            "may be wrong by it. Tune the receiver so that the carrier lies further inside."
        )
    if heard.nonfinite_samples:
        yield f"{heard.nonfinite_samples} samples were infinite or no number; they count as 0."
    if heard.head.passes_middle:
        yield (
            "Next to nothing modulates the line right in the middle of the recording, where a "
            "receiver's own (its DC) lies: it was taken out, and the carrier at "
            f"{report['carrier']['frequency_hz']:.0f} Hz measured. Give --carrier 0 if the line is "
            "yours."
        )
    elif recording["constant_pct"] > MUCH_CONSTANT_PCT:
        yield (
            f"The receiver adds a line of {recording['constant_pct']:.1f} % of the carrier right "
            "in the middle of the recording (its DC); it was taken out."
        )
    if heard.head.image:
        yield (
            f"The receiver adds a mirror image of {recording['image_pct']:.1f} %; it was taken out."
        )
    if recording["noise_pct"] > MUCH_NOISE_PCT:
        yield (
            f"Noise is {recording['noise_pct']:.1f} % of the carrier: cut-offs shorter or less "
            "deep than it are not seen. Record nearer to the transmitter."
        )


def _on_reference(measured: Measured, report: Report) -> Iterator[str]:
    modulation = report["modulation"]
    range_db = report["carrier"]["level_range_db"]
    by = "" if range_db is None else f" by {range_db:.1f} dB"
    if modulation["follows_fading"]:
        yield (
            f"The carrier goes up and down{by} "
            "(fading, or the receiver's automatic gain): its mean was followed, peaks are "
            "uncertain by some percent, and its shift cannot be seen. Record from a dummy load to "
            "be sure."
        )
        faded_s = float(np.count_nonzero(measured.reference.faded)) * ROW_S
        if faded_s:
            yield (
                f"Nothing was measured for {faded_s:.1f} s in all, in which the carrier was under "
                "half of its usual height."
            )
    elif range_db is None or range_db > MUCH_FADING_DB:
        yield (
            f"The carrier's level changes{by} over the recording; it was followed from pause to "
            "pause."
        )
    if modulation["reference"] == "mean":
        yield (
            "The carrier is never heard without modulation for long: peaks are measured against "
            "the mean of the envelope. Key it some seconds before and after the speech."
        )
    if modulation["cutoffs_taken_out"]:
        yield "What cut-offs add to that mean was taken out."


def _on_peaks(heard: Listened, measured: Measured, report: Report) -> Iterator[str]:
    modulation, peaks = report["modulation"], measured.peaks
    if not measured.reading.modulated_s:
        yield "Nothing modulates the carrier beyond its hum and noise."
        if lies_in_the_middle(heard):
            yield (
                "It lies right in the middle of the recording, where a receiver's own line (its "
                "DC) lies too: it may be no carrier at all."
            )
    if modulation["cutoffs_uncertain"] and not peaks.cutoffs:
        number = modulation["cutoffs_uncertain"]
        troughs = "A trough comes" if number == 1 else f"{number} troughs come"
        yield (
            f"{troughs} so near to zero that it cannot be told whether the carrier goes off there; "
            "the true number of cut-offs may be higher."
        )
    if 1000.0 * peaks.longest_s > LONG_OFF_MS:
        yield (
            f"The carrier is gone for {1000.0 * peaks.longest_s:.0f} ms at a time: a pop of breath "
            "through a path that passes everything down to some hertz does that, and so do keying "
            "and a gap in the recording."
        )
    if peaks.is_reversed:
        yield (
            "The envelope goes through zero and the phase turns over, as in a balanced modulator: "
            "a receiver with a diode hears it distorted, but it does not splatter."
        )
    if modulation["held_up_at_pct"] is not None:
        yield (
            f"Troughs have steep flanks and a flat bottom at {modulation['held_up_at_pct']:.1f} % "
            "of the carrier: something holds it up there, the audio was clipped so, or the final "
            "is off and that is what leaks past it. Sharp corners splatter, whatever makes them."
        )
        deeper_pct = modulation["negative_read_pct"]
        if deeper_pct > modulation["negative_peak_pct"] + DEEPER_PCT:
            yield (
                f"Troughs read as deep as {deeper_pct:.1f} %; what is deeper than that bottom is "
                "the ringing of the receiver's filter, and noise."
            )


def _on_signal(heard: Listened, measured: Measured, report: Report) -> Iterator[str]:
    shift_db = report["carrier"]["shift_db"]
    if shift_db is not None and abs(shift_db) > MUCH_SHIFT_DB:
        if shift_db < 0.0:
            yield (
                f"The carrier falls by {-shift_db:.2f} dB under modulation: the transmitter's "
                "supply sags, or the receiver's automatic gain turns down (switch that off)."
            )
        elif measured.peaks.cutoffs:
            yield f"The mean rises by {shift_db:.2f} dB under modulation, as cut-offs make it."
        else:
            yield (
                f"The carrier rises by {shift_db:.2f} dB under modulation: crests are stretched, "
                "or the receiver's automatic gain moves (switch that off)."
            )
    across = part_across(heard.rows, measured.reference)
    if across > MUCH_ACROSS:
        yield (
            f"The phase moves with {100.0 * across:.0f} % of the sidebands' power: phase "
            "modulation on top, selective fading, or another station within the band that was "
            "heard."
        )
    lost = lost_crest(heard.rows, measured.reference, measured.peaks.positive_peak)
    if lost > MUCH_LOST:
        yield (
            "The phase moves with the modulation, as where a final is not neutralised: crests "
            f"read up to {100.0 * lost:.1f} % too low."
        )
    uneven_db = report["emission"]["upper_over_lower_db"]
    if uneven_db is not None and abs(uneven_db) > UNEVEN_DB:
        yield (
            f"The upper sideband is {uneven_db:+.1f} dB over the lower: the receiver's filter, its "
            "tuning, or another station; peaks are uncertain."
        )
    hum_db = report["hum"]["hum_db"]
    if hum_db is not None and hum_db > LOUD_HUM_DB:
        yield f"Hum is {hum_db:.0f} dB, below a tone of 100 %."
