"""The voice file that ``fit`` writes: every stage, with a comment on what was measured."""

import dataclasses
import textwrap
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import tomlkit

from carrierfloor.cli import documents
from carrierfloor.cli.fit_choices import Choice, choices
from carrierfloor.cli.report import Report
from carrierfloor.cli.rig_layout import section_tables
from carrierfloor.dsp.stage import StageDesign
from carrierfloor.dsp.tone import ToneDesign
from carrierfloor.dsp.voice import voice_from_table
from carrierfloor.dsp.voice_fit import VoiceFit

WIDTH = 98
UNWRITTEN = ("tone", "phase_rotation")  # stages that may be left out, which is worth a word
Row = Mapping[str, Any]  # a stage as in a voice file


def text(found: VoiceFit, report: Report, base_source: str) -> str:
    """Return the voice file.

    Parameters
    ----------
    found : VoiceFit
        The fit.
    report : dict
        Its report, whose figures the comments hold.
    base_source : str
        Shipped name or path of the base voice, whose stages are copied where they stay.
    """
    base = documents.parse(documents.text("voices", base_source), base_source)
    rows = dict(zip(map(id, found.base.stages), base["stages"], strict=True))
    said = {choice.kind: choice for choice in choices(report)}
    parts = [_head(report)]
    for design in found.voice.stages:
        row = rows.get(id(design)) or _row(design, _replaced(design, found, rows))
        comment = _comment(said.pop(design.kind, None), report)
        parts.append(comment + tomlkit.dumps({"stages": [dict(row)]}))
    parts += [_comment(choice, report) for choice in said.values() if choice.kind in UNWRITTEN]
    whole = "\n".join(parts)
    _check(whole, found)
    return whole


def _head(report: Report) -> str:
    sound = report["input"]
    heading = {
        "name": report["voice"]["name"],
        "description": f"Fitted to {Path(sound['file']).name}, for: {report['rig']['name']}.",
    }
    antenna = report["antenna"]
    story = (
        f"Made by carrierfloor fit on {date.today().isoformat()} from {sound['speech_s']:.1f} s of "
        f"speech, beginning with the voice {report['base']['source']}. With it that recording has "
        f"a modulation density of {antenna['density_pct']:.1f} % at the antenna. Each comment says "
        "what was measured, then what was chosen; levels are in dB re 100 % modulation."
    )
    return tomlkit.dumps(heading) + "\n" + _wrapped(story)


def _comment(choice: Choice | None, report: Report) -> str:
    if choice is None:
        return _wrapped(f"As in {report['base']['source']}.")
    return _wrapped(f"{choice.title}: {choice.found}. Chosen: {choice.chosen}.")


def _wrapped(words: str) -> str:
    clean = " ".join(words.split())
    return "\n".join(f"# {line}" for line in textwrap.wrap(clean, WIDTH)) + "\n"


def _replaced(design: StageDesign, found: VoiceFit, rows: Mapping[int, Row]) -> Row:
    """Return the row of the base voice that a changed stage comes from; empty for a new one."""
    own = [one for one in found.voice.stages if one.kind == design.kind]
    old = [one for one in found.base.stages if one.kind == design.kind]
    if len(own) != len(old):
        return {}
    return rows[id(old[[id(one) for one in own].index(id(design))])]


def _row(design: StageDesign, before: Row) -> Row:
    """Return a stage as a voice file holds it: what it held, and what is not the default."""
    row: dict[str, Any] = {"kind": design.kind}
    if isinstance(design, ToneDesign):
        return row | {"bands": section_tables(design.bands)}
    for item in dataclasses.fields(design):
        value = getattr(design, item.name)
        if value is not None and (item.name in before or value != item.default):
            row[item.name] = value
    return row


def _check(whole: str, found: VoiceFit) -> None:
    """Make sure that the file holds the stages that were tried."""
    assert voice_from_table(documents.parse(whole, "voice"), "voice").stages == found.voice.stages
