"""The report of a simulated recording: the truth about it, and what each key means."""

from dataclasses import asdict
from typing import TYPE_CHECKING

from carrierfloor.cli.report import Report, finite, input_facts, rig_facts, versions
from carrierfloor.cli.report_keys import INPUT_KEYS, RIG_KEYS
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.simulation import DETECTOR, IF, IQ

if TYPE_CHECKING:
    from carrierfloor.cli.simulate import Simulated

# A number that does not exist, such as what was not asked for, is null.
KEYS = {
    "versions": "of carrierfloor, python and the packages that touched the samples",
    **INPUT_KEYS,
    **RIG_KEYS,
    "rig.path": "which of its paths the audio took",
    "recording.file": "path as given",
    "recording.kind": "iq (I and Q, complex), if (low intermediate frequency) or detector",
    "recording.container": "WAV, RF64, FLAC or raw",
    "recording.sample_type": "libsndfile's name of the sample type, or u8, s8, s16, f32",
    "recording.sample_rate_hz": "of the recording",
    "recording.channels": "2 for iq: I, Q",
    "recording.frames": "samples of each channel",
    "recording.duration_s": "length",
    "recording.carrier_amplitude": "of the unmodulated carrier, 1.0 = full scale: magnitude of "
    "I and Q, peak of the IF, DC of the detector before its coupling",
    "recording.carrier_dbfs": "the same in dB",
    "recording.carrier_hz": "where the carrier is at the beginning; null for a detector",
    "recording.audio_begins_s": "when the audio begins; unmodulated carrier before it",
    "recording.audio_ends_s": "when it ends",
    "recording.peak_dbfs": "highest magnitude in any channel",
    "recording.clipped_samples": "beyond full scale; they are stored as full scale",
    "recording.seed": "of the noise",
    "transmitter.second_pct": "second harmonic of a 100 % sine, with its sign at the crest",
    "transmitter.third_pct": "third harmonic of a 100 % sine, with its sign at the crest",
    "transmitter.compress_pct": "crests above this are compressed softly",
    "transmitter.keep_alive_pct": "an ideal diode holds the envelope at this part of the carrier",
    "transmitter.hum_db": "modulation by hum, below 100 %; null: no hum",
    "transmitter.hum_hz": "its frequency",
    "channel.carrier_to_noise_db": "power of the unmodulated carrier over that of the noise",
    "channel.noise_bandwidth_hz": "in which that noise is counted",
    "channel.fading_db": "strongest over weakest carrier, by two rays; the mean power stays",
    "channel.fading_hz": "how often a second it fades",
    "channel.fading_delay_ms": "of the second ray; above 0 it fades selectively",
    "channel.offset_hz": "carrier from the receiver's frequency at the beginning",
    "channel.drift_hz_per_s": "how fast it moves",
    "channel.neighbour_db": "another carrier over this one; it has two tones of 40 %",
    "channel.neighbour_hz": "from this carrier to that",
    "channel.imbalance_pct": "amplitude of the mirror image of an IQ recording",
    "detector.knee_pct": "k of the diode, sqrt(e^2 + k^2) - k, 100 % = unmodulated carrier; "
    "null without a detector, as the next two",
    "detector.rc_ms": "time constant of its capacitor and resistor",
    "detector.coupling_hz": "corner of the sound card's AC coupling; 0: DC-coupled",
    "modulation.positive_peak_pct": "highest crest of the envelope at the transmitter",
    "modulation.positive_peak_s": "when, in the recording",
    "modulation.negative_peak_pct": "deepest trough of the envelope; 100 % is carrier cut-off",
    "modulation.negative_peak_s": "when",
    "modulation.wanted_negative_peak_pct": "deepest trough if the final could follow below zero",
    "modulation.cutoffs": "how often the carrier went off",
    "modulation.cutoff_ms": "for how long in all",
    "modulation.cutoff_longest_ms": "the longest of them",
    "modulation.cutoff_times_s": "when each began, in the recording; the first 1000",
    "modulation.density_pct": "rms of the envelope less the carrier during active speech (ITU-T "
    "P.56), while the audio lasts",
    "modulation.activity_pct": "share of that time that is active speech",
    "modulation.rms_pct": "rms of the envelope less the carrier while the audio lasts",
    "modulation.pep_ratio": "peak envelope power over that of the unmodulated carrier",
    "modulation.power_ratio": "mean power over that of the unmodulated carrier, likewise",
    "carrier.shift_db": "mean envelope over the unmodulated carrier, likewise",
    "notes": "what a person should know, as sentences",
}


def build(made: "Simulated") -> Report:
    """Return the report of one recording; its keys are those of ``KEYS``."""
    design, sound = made.design, made.sound
    detector = asdict(design.detector)
    report = {
        "versions": versions(),
        "input": input_facts(sound, made.channel, made.intake.nonfinite_samples, made.peak),
        "rig": {**rig_facts(made.rig, made.rig_source), "path": made.simulation.path.name},
        "recording": _recording(made),
        "transmitter": asdict(design.modulator),
        "channel": asdict(design.channel),
        "detector": detector if design.kind == DETECTOR else dict.fromkeys(detector),
        **_truth(made),
        "notes": _notes(made),
    }
    return {group: finite(content) for group, content in report.items()}


def _recording(made: "Simulated") -> Report:
    design, storage = made.design, made.storage
    middle_hz = {IQ: 0.0, IF: design.carrier_hz}.get(design.kind)
    return {
        "file": str(made.out),
        "kind": design.kind,
        "container": storage.container,
        "sample_type": storage.sample_type,
        "sample_rate_hz": design.rate_hz,
        "channels": storage.channels,
        "frames": made.frames,
        "duration_s": made.frames / design.rate_hz,
        "carrier_amplitude": design.amplitude,
        "carrier_dbfs": design.level_dbfs,
        "carrier_hz": None if middle_hz is None else middle_hz + design.channel.offset_hz,
        "audio_begins_s": made.simulation.audio_begins_s,
        "audio_ends_s": made.simulation.audio_ends_s,
        "peak_dbfs": decibels(made.simulation.peak),
        "clipped_samples": made.clipped_samples,
        "seed": design.seed,
    }


def _truth(made: "Simulated") -> Report:
    truth = made.simulation.truth()
    whole, audio = truth.whole, truth.audio
    return {
        "modulation": {
            "positive_peak_pct": 100.0 * whole.positive_peak,
            "positive_peak_s": whole.positive_peak_s,
            "negative_peak_pct": 100.0 * truth.negative_peak,
            "negative_peak_s": whole.negative_peak_s,
            "wanted_negative_peak_pct": 100.0 * truth.wanted_negative_peak,
            "cutoffs": whole.cutoffs,
            "cutoff_ms": 1000.0 * whole.cutoff_total_s,
            "cutoff_longest_ms": 1000.0 * whole.cutoff_longest_s,
            "cutoff_times_s": list(whole.cutoff_times_s),
            "density_pct": 100.0 * truth.speech.active_rms,
            "activity_pct": 100.0 * truth.speech.activity,
            "rms_pct": 100.0 * truth.speech.rms,
            "pep_ratio": whole.pep_ratio,
            "power_ratio": audio.power_ratio,
        },
        "carrier": {"shift_db": decibels(audio.carrier_ratio)},
    }


def _notes(made: "Simulated") -> list[str]:
    notes = []
    if made.intake.nonfinite_samples:
        notes.append(
            f"{made.intake.nonfinite_samples} samples were infinite or no number; they count as 0."
        )
    if made.peak == 0.0:
        notes.append("The sound file is silent: the carrier is not modulated.")
    elif made.peak > 1.0:
        notes.append(
            f"The sound file's peak is {decibels(made.peak):+.1f} dBFS: a sound card clips that; "
            "here it does not."
        )
    if made.intake.cancels:
        notes.append("Mixing the channels cancels them; choose one with --channel.")
    if (outside_hz := made.design.neighbour_outside_hz) is not None:
        notes.append(f"The neighbour, at {outside_hz:.0f} Hz, lies outside of what is recorded.")
    if made.clipped_samples:
        notes.append(
            f"{made.clipped_samples} samples of the recording are clipped; a lower --level keeps "
            "them within full scale."
        )
    return notes
