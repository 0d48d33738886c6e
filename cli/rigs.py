"""The command ``rigs``: list, show and check transmitters."""

import shlex
from collections.abc import Sequence
from pathlib import Path

from rich.table import Table
from rich.text import Text

from carrierfloor import presets
from carrierfloor.cli import documents, screen
from carrierfloor.cli.keys import add_settings, key_table, settings_table, shape_text
from carrierfloor.cli.validation import validate_files
from carrierfloor.dsp.carrier import pep_w
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path import Path as AudioPath
from carrierfloor.dsp.rig import (
    Carrier,
    Equalise,
    Level,
    Modulation,
    Modulator,
    Plate,
    Rig,
    rig_from_table,
)

PARTS = {
    "carrier": Carrier,
    "plate": Plate,
    "modulator": Modulator,
    "modulation": Modulation,
    "level": Level,
    "equalise": Equalise,
}


def list_all() -> int:
    """List the shipped rigs."""
    table = screen.table()
    table.add_column("Rig", style="bold", no_wrap=True)
    for title in ("Carrier", "Limits", "Paths"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("What it is", overflow="fold")
    for name in presets.names("rigs"):
        rig = presets.rig(name)
        limits = rig.modulation
        default = " (default)" if name == presets.DEFAULT_RIG else ""
        table.add_row(
            name,
            f"{rig.carrier.power_w:g} W" if rig.carrier else "",
            f"-{limits.negative_limit_pct:g} +{limits.positive_limit_pct:g} %",
            str(len(rig.paths)) if rig.paths else "flat",
            f"{rig.name}{default}",
        )
    screen.results().print(table)
    return 0


def show(name_or_file: str) -> int:
    """Show all settings of a rig."""
    rig = documents.rig(name_or_file)
    console = screen.results()
    console.print(Text(rig.name, style="bold"))
    if rig.description:
        console.print(rig.description)
    table = settings_table("Part")
    for part in PARTS:
        if getattr(rig, part):
            add_settings(table, part, getattr(rig, part))
        if part == "modulation" and rig.carrier:
            power_w = pep_w(rig.carrier.power_w, rig.modulation.positive_limit_pct / 100.0)
            table.add_row("", "", f"{power_w:.0f} W", "peak envelope power at the positive limit")
    if rig.equalise.enabled:
        _add_equaliser(table, rig)
    for number, path in enumerate(rig.paths, 1):
        table.add_row(f"path {number}", "", "", path.name)
        for section in path.sections:
            centre = f"{section.frequency_hz:g} Hz"
            table.add_row("", section.kind, centre, shape_text(section))
    console.print()
    console.print(table)
    if not rig.paths:
        console.print("\nNo paths: DC-coupled and flat.", style=screen.QUIET)
    return 0


def _add_equaliser(table: Table, rig: Rig) -> None:
    """Say what the equaliser does to the rig's paths."""
    from carrierfloor.dsp.equaliser import equaliser_of

    made = equaliser_of(rig)
    table.add_row("", "", f"{made.boost_db:.1f} dB", "highest gain it comes to")
    table.add_row("", "", f"{made.after_db:.1f} dB", "worst deviation from flat in the band")
    table.add_row("", "", f"{made.before_db:.1f} dB", "the same without it")


def validate(files: Sequence[str]) -> int:
    """Check rig files; say what is wrong with each."""
    return validate_files(files, documents.rig)


def copy(name_or_file: str, file: Path) -> int:
    """Copy a shipped rig, or another, into a file of the user's own.

    Raises
    ------
    SettingError
        If there is no such rig, or the file exists or cannot be made.
    """
    text = documents.text("rigs", name_or_file)
    rig_from_table(documents.parse(text, name_or_file), name_or_file)
    if file.suffix.lower() != ".toml":
        raise SettingError(f"{file}: the ending must be .toml")
    documents.write_new(file, text)
    console = screen.results()
    console.print(
        Text(
            f"{file} is now a copy of {name_or_file}; edit it, and use it with "
            f"--rig {shlex.quote(str(file))}"
        ),
        soft_wrap=True,
    )
    return 0


def keys() -> int:
    """List every key that a rig file may hold."""
    console = screen.results()
    console.print(
        "A rig file holds name, description and these tables; all but name may be left out.\n"
        "A table [notes] is yours: it may hold anything, and nothing is read from it.\n"
    )
    for part, design in PARTS.items():
        console.print(key_table(f"[{part}] {(design.__doc__ or '').strip()}", design))
        console.print()
    console.print(key_table("[[paths]] Each has a name and these tables; none: flat", AudioPath))
    return 0
