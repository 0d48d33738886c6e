"""The table at the end of many files."""

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.pool import Failure
from carrierfloor.cli.report import Report
from carrierfloor.cli.screen import BAD, GOOD
from carrierfloor.cli.summary import clock


def show_table(done: Sequence[Report], failed: Sequence[Failure], console: Console) -> None:
    """Print one line for each file, failures last."""
    if done:
        console.print(_table(done))
    for failure in failed:
        message = failure.message.removeprefix(f"{failure.file}: ")
        console.print(Text.assemble((f"{failure.file}: ", "bold"), (message, BAD)))
    words = f"{len(done)} of {len(done) + len(failed)} files processed"
    console.print(Text(words, style=BAD if failed else GOOD))


def _table(done: Sequence[Report]) -> Table:
    table = screen.table()
    table.add_column("File", overflow="fold")
    titles = (
        "Length",
        "Trough",
        "Crest",
        "Carrier\ncut-offs",
        "If path-\nblind",
        "Density",
        "Speed",
    )
    for title in titles:
        table.add_column(title, justify="right", no_wrap=True)
    for report in done:
        antenna, blind = report["antenna"], report["path_blind"]["cutoffs"]
        table.add_row(
            Path(report["input"]["file"]).name,
            clock(report["input"]["duration_s"]),
            f"{antenna['negative_peak_pct']:.1f} %",
            f"{antenna['positive_peak_pct']:.1f} %",
            Text(str(antenna["cutoffs"]), style=BAD if antenna["cutoffs"] else GOOD),
            "" if blind is None else str(blind),
            f"{antenna['density_pct']:.1f} %",
            f"{report['speed']['times_real_time']:.0f} x",
        )
    return table
