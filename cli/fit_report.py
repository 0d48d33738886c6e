"""The report of a fitted voice: every key with its meaning, and the report itself."""

from typing import Any

from carrierfloor import presets
from carrierfloor.cli.fit_notes import notes
from carrierfloor.cli.fit_options import FitOptions
from carrierfloor.cli.report import Report, finite, rig_facts, versions
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ
from carrierfloor.dsp.voice_fit import VoiceFit

FITTED = ", fitted"  # behind the name of the voice

# A number that does not exist, such as a gate's threshold without a gate, is null.
KEYS = {
    "versions": "of carrierfloor, python and the packages that touched the samples",
    "input.file": "the recording",
    "input.channel": "mix (mean of all), left, right or a number from 1",
    "input.sample_rate_hz": "of the recording",
    "input.duration_s": "its length",
    "input.speech_s": "of it with speech (ITU-T P.56)",
    "input.peak_dbfs": "highest sample",
    "input.speech_dbfs": "active speech level behind the base voice's high-pass",
    "base.source": "the voice it begins with: shipped name or path",
    "base.name": "of that voice",
    "rig.name": "of the rig document",
    "rig.source": "shipped name or path",
    "rig.negative_limit_pct": "deepest trough allowed at the antenna",
    "rig.positive_limit_pct": "highest crest allowed at the antenna",
    "rig.full_modulation_dbfs": "1 kHz tone at the sound card that makes 100 %",
    "rig.polarity": "whether the transmitter inverts",
    "rig.equalised": "whether its equaliser is on",
    "hum.mains_hz": "50 or 60, whose multiples the hum consists of; null: none was found",
    "hum.lines.F_hz": "strength of each line, dB under the speech",
    "hum.left_db": "the strongest line behind the high-pass, dB under the speech",
    "high_pass.before_hz": "corner in the base voice; null: it has none",
    "high_pass.corner_hz": "corner chosen",
    "tone.bands": "controls chosen, in words",
    "tone.tilt_db": "an octave, by which the voice is brighter than the average and stays so",
    "tone.before_rms_db": "distance from the average spectrum of speech, tilt aside",
    "tone.after_rms_db": "what the controls leave of it",
    "tone.third_octaves.F_hz": "speech over the average before, dB; only where it can be told",
    "leveller.recorded_db": "active speech level ahead of the leveller, 0 dB = rms of 100 %",
    "leveller.levelled_db": "behind it, with the base voice's target",
    "leveller.ordinary_db": "where ordinary speech comes to there",
    "leveller.before_db": "target of the base voice",
    "leveller.target_db": "target chosen",
    "leveller.max_gain_db": "most gain, as chosen",
    "polarity.recorded_db": "highest peak of the recording over its deepest",
    "polarity.processed_db": "peaks up over down where the stage polarity measures",
    "polarity.turning_db": "density gained by turning the voice over; negative: lost",
    "polarity.mode": "chosen: as_is, inverted, or auto if it does not matter",
    "phase_rotation.gain_db": "density gained by it at equal drive",
    "phase_rotation.on": "whether it is chosen",
    "gate.recorded_db": "speech over the noise in the pauses, where the gate listens",
    "gate.has_pauses": "false: the noise is weaker than that, and the gate stays as it was",
    "gate.ungated_db": "speech over the pauses at the antenna without a gate",
    "gate.is_kept": "whether it stays as it was",
    "gate.threshold_db": "chosen, under the speech; null: no gate",
    "gate.ratio": "chosen; 1: no gate",
    "gate.range_db": "chosen",
    "drive.before_db": "of the base voice",
    "drive.drive_db": "chosen",
    "drive.ordinary_density_pct": "what ordinary speech reaches in the base voice",
    "drive.recorded_density_pct": "what this recording reaches in the base voice",
    "drive.wanted_density_pct": "asked for, or else the larger of both",
    "antenna.density_pct": "modulation density of the recording in the fitted voice",
    "antenna.negative_peak_pct": "its deepest trough",
    "antenna.positive_peak_pct": "its highest crest",
    "voice.name": "of the fitted voice",
    "voice.file": "where it was written; null with --dry-run",
    "notes": "what a person should know, as sentences",
}


def build(found: VoiceFit, options: FitOptions, rig: Rig, *, recorded_rate_hz: float) -> Report:
    """Return the report of a fit; its keys are those of ``KEYS``.

    Parameters
    ----------
    found : VoiceFit
        What was found.
    options : FitOptions
        What was asked for.
    rig : Rig
        The transmitter.
    recorded_rate_hz : float
        Of the recording.
    """
    written = None if options.dry_run else options.out
    report: dict[str, Any] = {
        "versions": versions(),
        "input": _input(found, options, recorded_rate_hz),
        "base": {"source": options.voice or presets.DEFAULT_VOICE, "name": found.base.name},
        "rig": rig_facts(rig, options.rig),
        "hum": {
            "mains_hz": found.high_pass.mains_hz,
            "lines": {f"{hz:.1f}_hz": db for hz, db in found.high_pass.hum},
            "left_db": found.high_pass.left_db,
        },
        "high_pass": {
            "before_hz": found.high_pass.before_hz,
            "corner_hz": found.high_pass.corner_hz,
        },
        "tone": _tone(found),
        "leveller": _leveller(found),
        "polarity": {
            "recorded_db": found.asymmetry.recorded_db,
            "processed_db": found.asymmetry.processed_db,
            "turning_db": found.asymmetry.turning_db,
            "mode": found.asymmetry.mode,
        },
        "phase_rotation": {
            "gain_db": found.asymmetry.rotation_db,
            "on": found.asymmetry.rotate,
        },
        "gate": {
            "recorded_db": found.gate.recorded_db,
            "has_pauses": found.spectrum.has_pauses,
            "ungated_db": found.gate.ungated_db,
            "is_kept": found.gate.is_kept,
            "threshold_db": found.gate.threshold_db,
            "ratio": found.gate.ratio,
            "range_db": found.gate.range_db,
        },
        "drive": _drive(found),
        "antenna": {
            "density_pct": 100.0 * found.drive.trial.density,
            "negative_peak_pct": 100.0 * found.drive.trial.negative_peak,
            "positive_peak_pct": 100.0 * found.drive.trial.positive_peak,
        },
        "voice": {
            "name": f"{found.base.name.removesuffix(FITTED)}{FITTED}",
            "file": str(written) if written else None,
        },
        "notes": notes(found),
    }
    return {group: finite(content) for group, content in report.items()}


def _input(found: VoiceFit, options: FitOptions, rate_hz: float) -> Report:
    duration_s = found.samples / SAMPLE_RATE_HZ
    return {
        "file": str(options.recording),
        "channel": options.channel,
        "sample_rate_hz": rate_hz,
        "duration_s": duration_s,
        "speech_s": found.speech.activity * duration_s,
        "peak_dbfs": decibels(found.peak),
        "speech_dbfs": found.speech.active_db,
    }


def _tone(found: VoiceFit) -> Report:
    tone = found.tone
    return {
        "bands": [_in_words(band) for band in tone.bands],
        "tilt_db": tone.tilt_db,
        "before_rms_db": tone.before_rms_db,
        "after_rms_db": tone.after_rms_db,
        "third_octaves": {
            f"{hz:.0f}_hz": float(db)
            for hz, db in zip(tone.centres_hz, tone.before_db, strict=True)
        },
    }


def _in_words(band: Section) -> str:
    return f"{band.kind} {band.frequency_hz:g} Hz {band.gain_db:+.1f} dB"


def _leveller(found: VoiceFit) -> Report:
    names = ("recorded", "levelled", "ordinary", "before", "target", "max_gain")
    return {
        f"{name}_db": getattr(found.leveller, f"{name}_db") if found.leveller else None
        for name in names
    }


def _drive(found: VoiceFit) -> Report:
    drive = found.drive
    return {
        "before_db": drive.before_db,
        "drive_db": drive.drive_db,
        "ordinary_density_pct": 100.0 * drive.ordinary_density,
        "recorded_density_pct": 100.0 * drive.recorded_density,
        "wanted_density_pct": 100.0 * drive.wanted_density,
    }
