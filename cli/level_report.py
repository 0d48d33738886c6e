"""The report of ``level``, and what each of its keys means."""

from pathlib import Path
from typing import Any

from carrierfloor.cli.level_found import LevelFound
from carrierfloor.cli.report import Report, finite, versions
from carrierfloor.cli.rig_file import RigFile
from carrierfloor.dsp.envelope_reading import EnvelopeReading
from carrierfloor.dsp.rig import Rig

# A number that does not exist or is not known is null.
KEYS = {
    "versions": "of carrierfloor, python and the packages that touched the samples",
    "method": "scope, iq, if or detector",
    "source": "the recording as given, or scope",
    "rig.name": "of the rig document",
    "rig.source": "its path",
    "rig.negative_limit_pct": "deepest trough allowed at the antenna",
    "rig.written": "false with --dry-run",
    "rig.backup": "the file before; null if nothing has changed",
    "rig.changes": "what became another: what, old, new",
    "level.full_modulation_dbfs": "peak of a 1 kHz tone at the sound card that makes 100 %",
    "level.error_db": "95 % of readings like these give a level within this",
    "level.error_pct": "the same in percent of the modulation",
    "level.polarity": "normal, inverted, or null: not known",
    "level.by_positive_peaks_dbfs": "the level by the positive peaks; null if they never come so "
    "far",
    "level.tone_hz": "frequency of the tone",
    "level.is_extrapolated": "true if no trough was as deep as the limit",
    "linearity.crest_at_limit_pct": "positive peak where the trough is at the negative limit",
    "linearity.cutoff_dbfs": "where the trough reaches carrier cut-off; null if it never does",
    "linearity.flat_dbfs": "where troughs stop to deepen before that; null if they do not",
    "linearity.floor_pct": "negative peak at which they stop",
    "linearity.carrier_shift_pct": "largest change of the mean envelope below cut-off, over the "
    "carrier; null if it was not measured",
    "recording.carrier_hz": "where the carrier was, on average",
    "recording.drift_hz_per_s": "how fast it moved",
    "recording.carrier_change_pct": "of its height, from before the staircase to behind it",
    "recording.steps_missed": "steps of the staircase that are not in it",
    "recording.nonfinite_samples": "samples that were infinite or no number; they count as 0",
    "readings": "a list, by rising level, with these keys:",
    "readings.level_dbfs": "peak of the tone at the sound card",
    "readings.carrier": "height without modulation, in the unit of the readings",
    "readings.crest": "highest envelope",
    "readings.trough": "lowest envelope",
    "readings.positive_pct": "(crest - carrier) / carrier",
    "readings.negative_pct": "(carrier - trough) / carrier; 100 % is carrier cut-off",
    "readings.symmetric_pct": "(crest - trough) / (crest + trough), for comparison",
    "readings.error_pct": "standard error of crest and trough, of the carrier",
    "readings.used": "whether it had a say in the level",
    "readings.contradicts": "whether it was left out because the others say otherwise",
    "notes": "what a person should know, as sentences",
}


def build(
    found: LevelFound,
    file: RigFile,
    before: Rig,
    *,
    backup: Path | None,
    written: bool,
    notes: list[str],
) -> Report:
    """Return the report; its keys are those of ``KEYS``."""
    report: Report = {
        "versions": versions(),
        "method": found.method,
        "source": found.source,
        "rig": {
            "name": before.name,
            "source": file.file,
            "negative_limit_pct": before.modulation.negative_limit_pct,
            "written": written,
            "backup": None if backup is None else str(backup),
            "changes": [vars(change) for change in file.changes],
        },
        "level": _level(found),
        "linearity": _linearity(found),
        "recording": _recording(found),
        "readings": [_reading(found, number) for number in range(len(found.fit.readings))],
        "notes": notes,
    }
    return {group: finite(content) for group, content in report.items()}


def carrier_shift(found: LevelFound) -> float | None:
    """Return the largest change of the mean envelope among the readings that were used."""
    pairs = zip(found.fit.readings, found.fit.used, strict=True)
    below = [one.shift for one, used in pairs if used and one.shift is not None]
    return max(below, key=abs, default=None)


def _level(found: LevelFound) -> Report:
    return {
        "full_modulation_dbfs": found.full_modulation_dbfs,
        "error_db": found.fit.error_db,
        "error_pct": found.fit.error_pct,
        "polarity": found.polarity,
        "by_positive_peaks_dbfs": found.fit.positive_dbfs,
        "tone_hz": found.frequency_hz,
        "is_extrapolated": found.fit.is_extrapolated,
    }


def _linearity(found: LevelFound) -> Report:
    fit, shift = found.fit, carrier_shift(found)
    return {
        "crest_at_limit_pct": 100.0 * fit.crest_at_limit,
        "cutoff_dbfs": fit.cutoff_dbfs,
        "flat_dbfs": fit.flat_dbfs,
        "floor_pct": None if fit.floor is None else 100.0 * fit.floor,
        "carrier_shift_pct": None if shift is None else 100.0 * shift,
    }


def _recording(found: LevelFound) -> Report:
    change = found.carrier_change
    return {
        "carrier_hz": found.carrier_hz,
        "drift_hz_per_s": found.drift_hz_per_s,
        "carrier_change_pct": None if change is None else 100.0 * change,
        "steps_missed": found.steps_missed,
        "nonfinite_samples": found.nonfinite_samples,
    }


def _reading(found: LevelFound, number: int) -> dict[str, Any]:
    fit = found.fit
    return {
        **heights(fit.readings[number]),
        "used": fit.used[number],
        "contradicts": fit.contradicts[number],
    }


def heights(reading: EnvelopeReading) -> dict[str, float]:
    """Return all that one reading says."""
    return {
        "level_dbfs": reading.level_dbfs,
        "carrier": reading.carrier,
        "crest": reading.crest,
        "trough": reading.trough,
        "positive_pct": 100.0 * reading.positive,
        "negative_pct": 100.0 * reading.negative,
        "symmetric_pct": 100.0 * reading.symmetric,
        "error_pct": 100.0 * reading.error,
    }
