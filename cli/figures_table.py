"""The figures of a rig as a person likes to read them: what, value, formula."""

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import figures_rows, screen
from carrierfloor.cli.figures_report import Figures
from carrierfloor.cli.screen import BAD, NOTE, QUIET

CAUTION = "Caution: these voltages kill, also when switched off. Discharge, wait, measure."


def show(found: Figures, name: str, console: Console) -> None:
    """Print all that is known, then what is wrong and what is missing.

    Parameters
    ----------
    found : dict
        The figures, with their warnings.
    name : str
        Of the rig.
    console : Console
        Where to.
    """
    console.print(Text(name, style="bold"))
    console.print()
    console.print(_table(found))
    if found["plate"]["supply_v"] is not None:
        console.print(Text(f"\n{CAUTION}", style="bold yellow"))
    if found["warnings"] or found["notes"]:
        console.print()
    for warning in found["warnings"]:
        console.print(Text(f"Warning: {warning}", style=BAD))
    for note in found["notes"]:
        console.print(Text(f"Note: {note}", style=NOTE))
    if found["missing"]:
        console.print()
        table = screen.table("Not known", "What would tell", header_style=QUIET)
        for what, source in found["missing"].items():
            table.add_row(Text(what, style=NOTE), Text(source, style=QUIET))
        console.print(table)


def _table(found: Figures) -> Table:
    table = screen.table()
    table.add_column("What", no_wrap=True)
    table.add_column("Value", justify="right", no_wrap=True)
    table.add_column("Formula", style=QUIET, overflow="fold")
    rows = figures_rows.rows(found)
    for number, (title, group) in enumerate(rows.items()):
        if number:
            table.add_row()
        table.add_row(Text(title, style="bold"))
        for row in group:
            value = Text(row.value, style=BAD if row.bad else "")
            table.add_row(Text(f"  {row.what}"), value, Text(row.formula))
    return table
