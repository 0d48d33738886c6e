"""The report of ``check``, and what each of its keys means."""

import math
from pathlib import Path
from typing import Any

from carrierfloor.cli.check_clips import KEYS as CLIP_KEYS
from carrierfloor.cli.check_detector import KEYS as DETECTOR_KEYS
from carrierfloor.cli.check_emission import KEYS as EMISSION_KEYS
from carrierfloor.cli.check_emission import Emission
from carrierfloor.cli.check_listening import Listened
from carrierfloor.cli.check_measuring import Measured
from carrierfloor.cli.check_options import CheckOptions
from carrierfloor.cli.check_tones import KEYS as TONE_KEYS
from carrierfloor.cli.check_tones import tones_report
from carrierfloor.cli.check_trapezoid import KEYS as TRAPEZOID_KEYS
from carrierfloor.cli.report import Report, finite, rig_facts, versions
from carrierfloor.cli.report_keys import RIG_KEYS
from carrierfloor.dsp import carrier
from carrierfloor.dsp.cutoff_finder import lower_level
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.rig_verdict import Reached, RigVerdict

PERCENTILES = (0.1, 1.0, 10.0, 50.0, 90.0, 99.0, 99.9)
NOISE_BAND_HZ = 10_000.0  # carrier-to-noise ratios are those of 5 kHz on each side

# A number that does not exist or is not known is null.
KEYS = {
    "versions": "of carrierfloor, python and the packages that touched the samples",
    "recording.file": "path as given",
    "recording.kind": "iq, if (low intermediate frequency) or detector",
    "recording.kind_was_given": "false: told by what is in it",
    "recording.sample_rate_hz": "of the file",
    "recording.duration_s": "length of what was read",
    "recording.nonfinite_samples": "samples that were infinite or no number; they count as 0",
    "recording.carrier_s": "time with a carrier",
    "recording.modulated_s": "time in which something modulates it",
    "recording.half_width_hz": "what was heard on each side of the carrier",
    "recording.constant_pct": "line right in the middle of IQ that the receiver adds (its DC), of "
    "the carrier, taken out; 0: none to be seen",
    "recording.image_pct": "mirror image of the IQ receiver, taken out; 0: none to be seen",
    "recording.noise_pct": "rms of the noise along the carrier, of the carrier",
    "recording.carrier_to_noise_db": "carrier over noise in 10 kHz; null for a detector, whose "
    "noise is not that around the carrier",
    "carrier.frequency_hz": "where it was on average: from the middle of IQ, or from 0 Hz",
    "carrier.lowest_hz": "lowest of all",
    "carrier.highest_hz": "highest of all",
    "carrier.drift_hz_per_s": "how fast it moved, on average",
    "carrier.level_dbfs": "of the unmodulated carrier, 0 dB = full scale; on average",
    "carrier.level_range_db": "between the strongest and the weakest moment",
    "carrier.shift_db": "mean envelope over the unmodulated carrier, while modulated; null if "
    "only the mean is known, or the signal fades and the mean was followed",
    "modulation.reference": "what peaks are measured against: unmodulated carrier, or mean (of "
    "the envelope) where the carrier was never without modulation",
    "modulation.follows_fading": "true if the signal fades and its mean was followed",
    "modulation.cutoffs_taken_out": "true if what cut-offs add to the mean was taken out",
    "modulation.positive_peak_pct": "highest crest, (crest - carrier) / carrier",
    "modulation.positive_peak_s": "when the highest one was read",
    "modulation.negative_peak_pct": "deepest trough, (carrier - trough) / carrier; 100 % is "
    "carrier cut-off",
    "modulation.negative_peak_s": "when the deepest one was read",
    "modulation.wanted_negative_peak_pct": "where the modulation aims if the carrier is off: the "
    "flanks of the trough, continued",
    "modulation.peaks_by": "how noise was kept out: steady tone (averaged over its periods), "
    "noise taken out (of the counts of all peaks), or as read (there is hardly any)",
    "modulation.peak_error_pct": "standard error of both",
    "modulation.positive_read_pct": "highest crest as read, noise included",
    "modulation.negative_read_pct": "deepest trough as read, noise and ringing included",
    "modulation.symmetric_pct": "(A - B) / (A + B) of crest and trough, for comparison: right for "
    "a symmetric tone only",
    "modulation.average_pct": "half of crest less trough, over the mean envelope, for comparison "
    "(47 CFR 73.14, from memory)",
    "modulation.residual_carrier_db": "what is left of the envelope in the trough; null at cut-off",
    "modulation.cutoffs": "how often the carrier went off, beyond doubt",
    "modulation.cutoffs_uncertain": "troughs at or near zero; noise or their shape do not let tell",
    "modulation.cutoff_ms": "for how long the carrier was off in all",
    "modulation.cutoff_longest_ms": "the longest of them",
    "modulation.cutoff_times_s": "when each began; the first 1000 that were read one by one",
    "modulation.cutoff_height_pct": "height of the envelope, of the carrier, below which troughs "
    "are looked at; four times the noise",
    "modulation.phase_reverses": "true if the envelope goes through zero as in a balanced "
    "modulator",
    "modulation.trough_edge": "troughs within 3 % of the deepest, over those 3 to 10 % less deep: "
    "1.6 and more behind a limiter that knows the path; null: too few, or noise hides it",
    "modulation.held_up_at_pct": "where something holds the troughs up; null if nothing does",
    "modulation.density_pct": "modulation density: rms of m during active speech (ITU-T P.56 on "
    "m), noise taken out",
    "modulation.activity_pct": "share of the time that is active speech",
    "modulation.rms_pct": "rms of m while modulated, noise taken out",
    "modulation.pep_ratio": "peak envelope power over carrier power",
    "modulation.pep_w": "the same in watts; null unless the rig gives its carrier power",
    "modulation.power_ratio": "mean power while modulated, over the carrier's",
    "modulation.percentiles_pct.below_P_pct": "m that P percent of the modulated time lies below, "
    "noise included",
    "hum.mains_hz": "50 or 60 if there is hum; hum and noise are those of the quietest stretch",
    "hum.hum_db": "all hum, below a tone of 100 %",
    "hum.noise_db": "noise, below a tone of 100 %, up to recording.half_width_hz",
    "hum.total_db": "both, and other lines",
    "hum.from_s": "where that stretch begins",
    "hum.lasts_s": "its length",
    **TONE_KEYS,
    **EMISSION_KEYS,
    **DETECTOR_KEYS,
    **TRAPEZOID_KEYS,
    **CLIP_KEYS,
    **RIG_KEYS,
    "rig.pep_limit_w": "what the licence allows; all of rig are null without --rig",
    "verdict.keeps": "true if no limit of the rig is broken; null without --rig",
    "verdict.what": "none, level, margin, path, polarity or power: what is wrong",
    "verdict.words": "what to change in the rig file, and why",
    "verdict.corrections": "a list: table, key, old, new, reason",
    "verdict.written": "true if --apply changed the rig file",
    "verdict.backup": "the rig file before; null if nothing has changed",
    "pictures": "files drawn",
    "notes": "what a person should know, as sentences",
}


def build(
    options: CheckOptions,
    heard: Listened,
    measured: Measured,
    emission: Emission,
    rig: Rig | None,
    verdict: RigVerdict | None,
) -> Report:
    """Return the report; its keys are those of ``KEYS``."""
    report: Report = {
        "versions": versions(),
        "recording": _recording(options, heard, measured),
        "carrier": _carrier(heard, measured),
        "modulation": _modulation(measured, rig),
        "hum": _hum(measured),
        "tones": tones_report(measured),
        "emission": emission.report,
        **{group: _nothing(group) for group in ("detector", "reference", "trapezoid", "clips")},
        "rig": _rig(rig, options.rig),
        "verdict": _verdict(verdict),
        "pictures": [],
        "notes": [],
    }
    return {group: finite(content) for group, content in report.items()}


def reached(measured: Measured) -> Reached:
    """Return how far a recorded signal went, for a rig's limits."""
    peaks = measured.peaks
    return Reached(
        positive=peaks.positive_peak,
        negative=peaks.wanted_negative_peak if peaks.cutoffs else peaks.negative_peak,
        cutoffs=peaks.cutoffs,
        error=peaks.error,
        edge=peaks.edge,
    )


def mean_height(measured: Measured) -> float:
    """Return the unmodulated carrier's height, on average."""
    reference = measured.reference
    return float(reference.height[reference.known].mean())


def _recording(options: CheckOptions, heard: Listened, measured: Measured) -> Report:
    noise = measured.reading.noise_rms
    # Noise of rms n along the carrier, and as much across, in twice the half width.
    in_band = 2.0 * noise**2 * NOISE_BAND_HZ / (2.0 * heard.half_width_hz)
    is_seen = heard.track is not None and in_band > 1e-15
    return {
        "file": str(options.recording),
        "kind": heard.head.kind,
        "kind_was_given": heard.head.kind_was_given,
        "sample_rate_hz": heard.sample_rate_hz,
        "duration_s": heard.duration_s,
        "nonfinite_samples": heard.nonfinite_samples,
        "carrier_s": measured.reading.known_s,
        "modulated_s": measured.reading.modulated_s,
        "half_width_hz": heard.half_width_hz,
        "constant_pct": 100.0 * abs(heard.head.constant) / mean_height(measured),
        "image_pct": 100.0 * abs(heard.head.image),
        "noise_pct": 100.0 * noise,
        "carrier_to_noise_db": -10.0 * math.log10(in_band) if is_seen else None,
    }


def _carrier(heard: Listened, measured: Measured) -> Report:
    reference, track = measured.reference, heard.track
    heights = reference.height[reference.known]
    shift_known = reference.measured[reference.modulated].all() and not reference.is_followed
    return {
        "frequency_hz": track and track.mean_hz,
        "lowest_hz": track and track.lowest_hz,
        "highest_hz": track and track.highest_hz,
        "drift_hz_per_s": track and track.drift_hz_per_s,
        "level_dbfs": decibels(mean_height(measured)),
        "level_range_db": decibels(float(heights.max() / heights.min())),
        "shift_db": decibels(measured.reading.carrier_ratio) if shift_known else None,
    }


def _modulation(measured: Measured, rig: Rig | None) -> Report:
    reading, peaks, reference = measured.reading, measured.peaks, measured.reference
    m, crest, trough = reading.modulation, 1.0 + peaks.positive_peak, 1.0 - peaks.negative_peak
    noise_power = reading.noise_rms**2
    active = max(0.0, reading.speech.active_rms**2 - noise_power)
    return {
        "reference": reference.kind,
        "follows_fading": reference.is_followed,
        "cutoffs_taken_out": measured.cutoffs_taken_out,
        "positive_peak_pct": 100.0 * peaks.positive_peak,
        "positive_peak_s": m.positive_peak_s,
        "negative_peak_pct": 100.0 * peaks.negative_peak,
        "negative_peak_s": m.negative_peak_s,
        "wanted_negative_peak_pct": 100.0 * peaks.wanted_negative_peak,
        "peaks_by": peaks.by,
        "peak_error_pct": 100.0 * peaks.error,
        "positive_read_pct": 100.0 * m.positive_peak,
        "negative_read_pct": 100.0 * m.negative_peak,
        "symmetric_pct": 100.0 * (crest - trough) / (crest + trough),
        "average_pct": 50.0 * (crest - trough) / reading.carrier_ratio,
        "residual_carrier_db": carrier.residual_carrier_db(peaks.negative_peak),
        "cutoffs": peaks.cutoffs,
        "cutoffs_uncertain": peaks.uncertain,
        "cutoff_ms": 1000.0 * peaks.total_s,
        "cutoff_longest_ms": 1000.0 * peaks.longest_s,
        "cutoff_times_s": [cutoff.start_s for cutoff in peaks.first],
        "cutoff_height_pct": 100.0 * lower_level(reading.noise_rms),
        "phase_reverses": peaks.is_reversed,
        "trough_edge": peaks.edge,
        "held_up_at_pct": None if peaks.held_up_at is None else 100.0 * peaks.held_up_at,
        "density_pct": 100.0 * math.sqrt(active),
        "activity_pct": 100.0 * reading.speech.activity,
        "rms_pct": 100.0 * reading.rms,
        "pep_ratio": carrier.pep_ratio(peaks.positive_peak),
        "pep_w": carrier.pep_w(rig.carrier.power_w, peaks.positive_peak)
        if rig is not None and rig.carrier is not None
        else None,
        "power_ratio": reading.power_ratio,
        "percentiles_pct": {f"below_{p:g}_pct": 100.0 * m.percentile(p) for p in PERCENTILES},
    }


def _hum(measured: Measured) -> Report:
    hum, quiet = measured.hum, measured.reading.quiet
    return {
        "mains_hz": hum and hum.mains_hz,
        "hum_db": hum and hum.hum_db if hum and hum.mains_hz else None,
        "noise_db": hum and hum.noise_db,
        "total_db": hum and hum.total_db,
        "from_s": quiet and quiet.start_s,
        "lasts_s": quiet and quiet.duration_s,
    }


def _nothing(group: str) -> Report:
    """Return a group of which nothing is known."""
    keys = (key.split(".") for key in KEYS if key.startswith(f"{group}."))
    return {second: None for _, second in keys}


def _rig(rig: Rig | None, source: str | None) -> Report:
    if rig is None:
        return dict.fromkeys([key.split(".")[1] for key in RIG_KEYS] + ["pep_limit_w"])
    limit = rig.carrier.pep_limit_w if rig.carrier else None
    return {**rig_facts(rig, source), "pep_limit_w": limit}


def _verdict(verdict: RigVerdict | None) -> Report:
    if verdict is None:
        empty: dict[str, Any] = dict.fromkeys(("keeps", "what", "words"))
        return {**empty, "corrections": [], "written": False, "backup": None}
    return {
        "keeps": verdict.keeps,
        "what": verdict.what,
        "words": verdict.words,
        "corrections": [vars(correction) for correction in verdict.corrections],
        "written": False,
        "backup": None,
    }


def add_written(report: Report, backup: Path | None) -> None:
    """Note that the rig file was changed."""
    report["verdict"]["written"] = True
    report["verdict"]["backup"] = None if backup is None else str(backup)
