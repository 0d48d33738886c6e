"""Reading the staircase that was sent: from the report of ``tone`` or from the sound file."""

import json
from pathlib import Path
from typing import Any

from carrierfloor.cli.documents import file_text
from carrierfloor.cli.phrase_in import at_48_khz
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.resampler import highest_passed_hz
from carrierfloor.dsp.sent_staircase import SentStaircase, SentStep, staircase_from_track
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ
from carrierfloor.dsp.tone_lines import ToneLines
from carrierfloor.dsp.tone_search import ToneSearch


def read_sent(file: Path) -> SentStaircase:
    """Return what was sent.

    Parameters
    ----------
    file : Path
        What ``tone staircase`` saved with ``--report``, ending in .json, or wrote with ``--out``.

    Raises
    ------
    CarrierfloorError
        If it is no staircase.
    """
    if file.suffix.lower() == ".json":
        return _from_report(file)
    try:
        return _from_sound(file)
    except AudioError as error:
        words = str(error)
        raise AudioError(words if words.startswith(str(file)) else f"{file}: {words}") from None


def _from_report(file: Path) -> SentStaircase:
    try:
        report = json.loads(file_text(file))
        kind = report["kind"]
    except (ValueError, TypeError, KeyError):
        raise SettingError(f"{file}: not a report of carrierfloor tone staircase") from None
    if kind != "staircase":
        raise SettingError(f"{file}: the report of a {kind}; give that of a staircase")
    try:
        return _from_steps(report)
    except (TypeError, KeyError, ValueError, IndexError):
        raise SettingError(f"{file}: not a report of carrierfloor tone staircase") from None


def _from_steps(report: dict[str, Any]) -> SentStaircase:
    ramp_s = float(report["ramp_ms"]) / 1000.0
    # The last step ends with the ramp down.
    ends = [*(float(step["begins_s"]) for step in report["steps"][1:])]
    ends.append(float(report["duration_s"]) - ramp_s)
    steps = [
        SentStep(
            begins_s=float(step["begins_s"]),
            ends_s=ends_s,
            level_dbfs=float(step["level_dbfs"]),
            is_uneven=bool(step.get("uneven", False)),
        )
        for step, ends_s in zip(report["steps"], ends, strict=True)
    ]
    (frequency_hz,) = report["frequencies_hz"]
    return SentStaircase(frequency_hz=float(frequency_hz), glide_s=ramp_s, steps=tuple(steps))


def _from_sound(file: Path) -> SentStaircase:
    search = ToneSearch(SAMPLE_RATE_HZ)
    for block in at_48_khz(file):
        search.feed(block)
    lines = ToneLines(search.frequency_hz(), highest_passed_hz(SAMPLE_RATE_HZ))
    for block in at_48_khz(file):
        lines.feed(block)
    return staircase_from_track(lines.read())
