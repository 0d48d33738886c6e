"""What ``fit`` shows."""

import shlex

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.fit_choices import choices
from carrierfloor.cli.report import Report
from carrierfloor.cli.screen import GOOD, NOTE, QUIET


def show(report: Report, console: Console) -> None:
    """Print what was found, what was chosen, and where it was written."""
    sound = report["input"]
    heading = Text(sound["file"], style="bold")
    heading.append(
        f"\n{sound['speech_s']:.1f} s of speech at {sound['speech_dbfs']:.1f} dBFS, peak "
        f"{sound['peak_dbfs']:.1f} dBFS; from {report['base']['name']}, for: "
        f"{report['rig']['name']}",
        style=QUIET,
    )
    console.print(heading, "", sep="\n")
    console.print(_table(report))
    console.print()
    console.print(_antenna(report))
    for note in report["notes"]:
        console.print(Text(f"Note: {note}", style=NOTE))
    console.print(_written(report["voice"]), soft_wrap=True)


def _table(report: Report) -> Table:
    table = screen.table(show_lines=False)
    table.add_column("", no_wrap=True)
    table.add_column("Found", ratio=3)
    table.add_column("Chosen", ratio=2)
    for choice in choices(report):
        table.add_row(choice.title, choice.found, choice.chosen)
    return table


def _antenna(report: Report) -> Text:
    antenna, rig = report["antenna"], report["rig"]
    return Text(
        f"At the antenna: density {antenna['density_pct']:.1f} %, negative peak "
        f"{antenna['negative_peak_pct']:.1f} % of {rig['negative_limit_pct']:g} %, positive peak "
        f"{antenna['positive_peak_pct']:.1f} % of {rig['positive_limit_pct']:g} %."
    )


def _written(voice: Report) -> Text:
    if voice["file"] is None:
        return Text("No voice is written (--dry-run).", style=NOTE)
    file = voice["file"]
    return Text(f"{file} is written; use it with --voice {shlex.quote(file)}", style=GOOD)
