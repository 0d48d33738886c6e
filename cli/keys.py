"""Tables of settings: the keys a document may hold, and the values that it does hold."""

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Any

from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.settings import rule_of

LISTS_OF_SECTIONS = ("bands", "sections")


def key_table(title: str, design: type) -> Table:
    """Return every key of a design with what it may be, its default and its effect."""
    table = screen.table(title=Text(title, style="bold"), title_justify="left")
    table.add_column("Key", no_wrap=True)
    table.add_column("Allowed", overflow="fold")
    table.add_column("Default", justify="right")
    table.add_column("Effect", overflow="fold")
    for item in dataclasses.fields(design):
        if "rule" in item.metadata:
            rule = rule_of(item)
            table.add_row(item.name, _allowed(item), _default(item), rule.effect)
        elif item.name in LISTS_OF_SECTIONS:
            table.add_row(Text(f"[[{item.name}]]"), "tables", "none", "sections one after another:")
            for inner in dataclasses.fields(Section):
                rule = rule_of(inner)
                table.add_row(f"  {inner.name}", _allowed(inner), _default(inner), rule.effect)
    return table


def _allowed(item: "dataclasses.Field[Any]") -> str:
    if item.type in (bool, "bool"):
        return "true or false"
    return rule_of(item).allowed


def _default(item: "dataclasses.Field[Any]") -> str:
    if item.default is dataclasses.MISSING:
        return "needed"
    return "none" if item.default is None else value_text(item.default)


def settings_of(design: Any) -> Iterator[tuple[str, str, str]]:
    """Yield key, value with unit, and effect of all settings that a design holds."""
    for item in dataclasses.fields(design):
        value = getattr(design, item.name)
        if "rule" in item.metadata:
            rule = rule_of(item)
            if value is not None:
                yield item.name, f"{value_text(value)} {rule.unit}".strip(), rule.effect
        elif item.name in LISTS_OF_SECTIONS:
            for number, section in enumerate(value, 1):
                yield f"{item.name} {number}", section_text(section), ""


def settings_table(part: str) -> Table:
    """Return an empty table of settings; ``part`` says what they are settings of."""
    table = screen.table(part)
    table.add_column("Setting", overflow="fold")  # names of keys: to be copied, never cut
    table.add_column("Value", justify="right")
    table.add_column("Effect", overflow="fold")
    return table


def add_settings(table: Table, head: str, design: Any) -> None:
    """Add all settings of a design; one that has none gets a line all the same."""
    for key, value, effect in list(settings_of(design)) or [("", "", "")]:
        table.add_row(head, key, value, effect)
        head = ""


def section_text(section: Section) -> str:
    """Return an analogue section in words."""
    return f"{section.kind} {section.frequency_hz:g} Hz, {shape_text(section)}".rstrip(", ")


def shape_text(section: Section) -> str:
    """Return gain, q or order of a section in words."""
    words = []
    if section.gain_db is not None:
        words.append(f"{section.gain_db:+g} dB")
    if section.q is not None:
        words.append(f"q {section.q:g}")
    elif section.kind in ("highpass", "lowpass", "allpass"):
        words.append("first order")
    return ", ".join(words)


def value_text(value: Any) -> str:
    """Return a value as it stands in a TOML file."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def report_table(meanings: Mapping[str, str]) -> Table:
    """Return the keys of a report with their meanings."""
    table = screen.table()
    table.add_column("Key", no_wrap=True)
    table.add_column("What it says")
    for key, meaning in meanings.items():
        table.add_row(Text(key), Text(meaning))
    return table
