"""The report of measured paths; cli/measure_keys.py says what each key means."""

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from carrierfloor.cli.measure_notes import notes
from carrierfloor.cli.measuring import Measured, Setting, rig_polarity
from carrierfloor.cli.report import Report, finite, versions
from carrierfloor.cli.rig_file import RigFile
from carrierfloor.cli.rig_layout import SECTION_KEYS
from carrierfloor.dsp.curves import harmonic_at
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.path_margin import Excess
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.signal_level import level_dbfs

DISTORTION_HZ = (300, 1000, 3000)  # fundamentals that are listed
ORDERS = {2: "second_pct", 3: "third_pct"}
HUM_LISTED = 6


def build(
    paths: Sequence[Measured],
    setting: Setting,
    file: RigFile,
    before: Rig,
    *,
    backup: Path | None,
    written: bool,
    pictures: Sequence[Path],
    live: Report | None = None,
) -> Report:
    """Return the report of a measurement; its keys are those of cli/measure_keys.py."""
    report: dict[str, Any] = {
        "versions": versions(),
        "sweep": _sweep(setting),
        "detector": {"source": setting.detector_source, "polarity": setting.detector_polarity},
        "paths": {f"path_{number}": _path(path) for number, path in enumerate(paths, 1)},
        "rig": {
            "source": file.file,
            "name": file.rig.name,
            "polarity": rig_polarity(paths, setting),
            "negative_margin_pct": file.rig.modulation.negative_margin_pct,
            "positive_margin_pct": file.rig.modulation.positive_margin_pct,
            "changes": [asdict(change) for change in file.changes],
            "written": written,
            "backup": str(backup) if backup else None,
        },
        **({"live": live} if live else {}),
        "pictures": [str(path) for path in pictures],
        "notes": notes(paths, setting, before),
    }
    return {group: finite(content) for group, content in report.items()}


def _sweep(setting: Setting) -> Report:
    sweep = setting.sweep
    return {
        "source": setting.sweep_source,
        "lowest_hz": sweep.sweep.lowest_hz,
        "highest_hz": sweep.sweep.highest_hz,
        "duration_s": sweep.sweep.duration_s,
        "sample_rate_hz": sweep.sweep.sample_rate_hz,
        "peak_dbfs": level_dbfs(sweep.peak),
        "depth_pct": 100.0 * setting.depth,
    }


def _path(path: Measured) -> Report:
    capture, response, fit = path.capture, path.response, path.fit
    return {
        "name": fit.path.name,
        "capture": capture.source,
        "channel": capture.channel,
        "sample_rate_hz": capture.rate_hz,
        "duration_s": len(capture.samples) / capture.rate_hz,
        "peak_dbfs": response.peak_dbfs,
        "signal_to_noise_db": response.signal_to_noise_db,
        "delay_ms": 1000.0 * fit.delay_s,
        "clock_ppm": fit.clock_ppm,
        "polarity": fit.polarity,
        "gain_db": decibels(response.gain),
        "sections": [
            {key: value for key in SECTION_KEYS if (value := getattr(one.section, key)) is not None}
            | {"uncertainty": dict(one.uncertainty)}
            for one in fit.sections
        ],
        "residual_db": fit.residual_db,
        "worst_error_pct": 100.0 * fit.worst_error,
        "worst_error_hz": fit.worst_error_hz,
        "distortion": {f"at_{hz}_hz": _distortion(path, hz) for hz in DISTORTION_HZ},
        "hum": {
            f"{line.frequency_hz:.1f}_hz": decibels(line.ratio)
            for line in response.hum[:HUM_LISTED]
        },
        "margin": {
            "negative_pct": path.margin.negative_margin_pct,
            "positive_pct": path.margin.positive_margin_pct,
            "negative": _excess(path.margin.negative),
            "positive": _excess(path.margin.positive),
        },
        "unknown_path": {
            "negative_peak_pct": path.regrowth.trough_pct,
            "positive_peak_pct": path.regrowth.crest_pct,
        },
    }


def _excess(excess: Excess) -> Report:
    return {
        "response_pct": excess.response_pct,
        "distortion_pct": excess.distortion_pct,
        "hum_pct": excess.hum_pct,
    }


def _distortion(path: Measured, frequency_hz: float) -> Report:
    harmonics = {one.order: one for one in path.response.harmonics}
    found: Report = {}
    for order, key in ORDERS.items():
        ratio = harmonic_at(harmonics[order], frequency_hz) if order in harmonics else None
        found[key] = None if ratio is None else 100.0 * ratio
    known = found["second_pct"] is not None
    total = path.response.distortion_at(frequency_hz) if known else None
    return found | {"total_pct": None if total is None else 100.0 * total}
