"""The report of one processed file; cli/report_keys.py says what each key means."""

import math
import platform
from collections.abc import Mapping
from importlib.metadata import version
from typing import Any

import numba
import numpy
import scipy
import soundfile
import soxr

from carrierfloor import presets
from carrierfloor.cli.audio_in import AudioIn
from carrierfloor.cli.job import Outcome
from carrierfloor.cli.notes import notes
from carrierfloor.dsp.carrier import pep_w
from carrierfloor.dsp.drive import DriveDesign
from carrierfloor.dsp.equaliser import equaliser_of
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.prediction import AntennaReading
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.same_loudness import SameLoudness
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

Report = dict[str, Any]  # nested: group, key, value

BEYOND_BAND = 1.25  # emission is counted beyond this multiple of the audio band


def build(outcome: Outcome) -> Report:
    """Return the report of one file; its keys are those of ``KEYS``."""
    report = {
        "versions": versions(),
        "input": _input(outcome),
        "output": _output(outcome),
        "voice": _voice(outcome),
        "rig": {
            **rig_facts(outcome.rig, outcome.options.rig),
            "paths": [path.name for path in outcome.rig.paths],
        },
        "antenna": _antenna(outcome),
        "card": {
            "peak_dbfs": decibels(outcome.sent.level.peak),
            "clipped_samples": outcome.quantiser.clipped_samples,
        },
        **_comparisons(outcome),
        "equaliser": _equaliser(outcome.rig),
        "chain": _chain(outcome),
        "meters": _nested(outcome.chain.meters),
        "speed": {
            "times_real_time": outcome.sound.duration_s / outcome.processing_s,
            "processing_s": outcome.processing_s,
            "watching_s": outcome.watching_s,
        },
        "pictures": [],
        "notes": notes(outcome),
    }
    return {group: finite(content) for group, content in report.items()}


def versions() -> dict[str, str]:
    """Return the versions of what touched the samples."""
    return {
        "carrierfloor": version("carrierfloor"),
        "python": platform.python_version(),
        "numpy": numpy.__version__,
        "scipy": scipy.__version__,
        "numba": numba.__version__,
        "soundfile": soundfile.__version__,
        "libsndfile": soundfile.__libsndfile_version__,
        "soxr": soxr.__version__,
    }


def _input(outcome: Outcome) -> Report:
    sound, heard = outcome.sound, outcome.heard
    speech = heard.level.speech
    return {
        **input_facts(
            sound, outcome.options.channel, outcome.intake.nonfinite_samples, heard.level.peak
        ),
        "container": sound.container,
        "sample_type": sound.sample_type,
        "frames": sound.frames_read,
        "rms_dbfs": decibels(speech.rms),
        "active_level_dbfs": speech.active_db,
        "activity_pct": 100.0 * speech.activity,
    }


def input_facts(sound: AudioIn, channel: str, nonfinite_samples: int, peak: float) -> Report:
    """Return what every report says of the sound file that was read."""
    return {
        "file": str(sound.path),
        "sample_rate_hz": sound.sample_rate_hz,
        "channels": sound.channels,
        "channel": channel if sound.channels > 1 else "mono",
        "duration_s": sound.duration_s,
        "nonfinite_samples": nonfinite_samples,
        "peak_dbfs": decibels(peak),
    }


def _output(outcome: Outcome) -> Report:
    stored_as = outcome.quantiser.format
    return {
        "file": str(outcome.target),
        "container": outcome.container,
        "sample_type": stored_as.name,
        "dither": "triangular" if stored_as.dithered else "none",
        "sample_rate_hz": outcome.sample_rate_hz,
        "frames": outcome.frames,
        "active_level_dbfs": outcome.sent.level.speech.active_db,
    }


def _voice(outcome: Outcome) -> Report:
    drives = [stage.drive_db for stage in outcome.voice.stages if isinstance(stage, DriveDesign)]
    return {
        "name": outcome.voice.name,
        "source": outcome.options.voice or presets.DEFAULT_VOICE,
        "drive_db": drives[-1] if drives else None,
    }


def rig_facts(rig: Rig, source: str | None) -> Report:
    """Return what every report says of the rig."""
    return {
        "name": rig.name,
        "source": source or presets.DEFAULT_RIG,
        "negative_limit_pct": rig.modulation.negative_limit_pct,
        "positive_limit_pct": rig.modulation.positive_limit_pct,
        "full_modulation_dbfs": rig.level.full_modulation_dbfs,
        "polarity": rig.level.polarity,
        "equalised": rig.equalise.enabled,
    }


def _antenna(outcome: Outcome) -> Report:
    paths, carrier = outcome.sent.antenna.paths, outcome.rig.carrier
    crest = max(path.modulation.positive_peak for path in paths)
    offset_hz = BEYOND_BAND * outcome.low_pass_hz
    return {
        "negative_peak_pct": 100.0 * max(path.modulation.negative_peak for path in paths),
        "positive_peak_pct": 100.0 * crest,
        "cutoffs": max(path.modulation.cutoffs for path in paths),
        "cutoff_ms": 1000.0 * max(path.modulation.cutoff_total_s for path in paths),
        "density_pct": 100.0 * density(paths),
        "pep_w": pep_w(carrier.power_w, crest) if carrier else None,
        "pep_limit_w": carrier.pep_limit_w if carrier else None,
        "emission_offset_hz": offset_hz,
        "emission_dbc": max(path.emission.beyond_dbc(offset_hz) for path in paths),
    }


def density(paths: tuple[AntennaReading, ...]) -> float:
    """Return the rms of m during active speech, the lowest of the paths."""
    return min(path.speech.active_rms for path in paths)


def _comparisons(outcome: Outcome) -> Report:
    aim = density(outcome.sent.antenna.paths)
    return {
        "unprocessed": _excess(outcome.heard.unprocessed, aim),
        "path_blind": _excess(outcome.heard.path_blind, aim),
    }


def _excess(signal: SameLoudness | None, aim: float) -> Report:
    found = signal.at(aim) if signal is not None else None
    return {
        "gain_db": found and found.gain_db,
        "negative_peak_pct": found and 100.0 * found.negative_peak,
        "positive_peak_pct": found and 100.0 * found.positive_peak,
        "cutoffs": found and found.cutoffs,
        "cutoff_ms": found and 1000.0 * found.cutoff_total_s,
    }


def _equaliser(rig: Rig) -> Report:
    asked, made = rig.equalise, equaliser_of(rig)
    found = {
        "lowest_hz": asked.lowest_hz,
        "highest_hz": asked.highest_hz,
        "deviation_db": made.after_db,
        "deviation_without_db": made.before_db,
        "boost_db": made.boost_db,
        "rest_ms": 1000.0 * made.rest_samples / SAMPLE_RATE_HZ,
    }
    return found if asked.enabled else dict.fromkeys(found)


def _chain(outcome: Outcome) -> Report:
    meters, chain = outcome.chain.meters, outcome.chain
    return {
        "latency_ms": 1000.0 * chain.latency_samples / SAMPLE_RATE_HZ,
        "latency_samples": chain.latency_samples,
        "low_pass_hz": outcome.low_pass_hz,
        "low_pass_narrowed": outcome.low_pass_hz < outcome.wanted_low_pass_hz,
        "clipper_removed_db": meters.get("clipper.removed_db"),
        "limiter_gain_reduction_max_db": meters["limiter.gain_reduction_max_db"],
        "limiter_gain_reduction_mean_db": meters["limiter.gain_reduction_mean_db"],
        "compiled": chain.is_compiled,
    }


def _nested(meters: Mapping[str, float]) -> Report:
    """Turn ``stage.reading`` into a table for each stage."""
    tables: Report = {}
    for key, value in meters.items():
        stage, _, reading = key.partition(".")
        tables.setdefault(stage, {})[reading] = value
    return tables


def finite(content: Any) -> Any:
    """Replace what JSON cannot say by null."""
    if isinstance(content, Mapping):
        return {key: finite(value) for key, value in content.items()}
    if isinstance(content, float):
        return float(content) + 0.0 if math.isfinite(content) else None  # no -0.0
    return content
