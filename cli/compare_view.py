"""What ``compare`` prints: the figures of all versions beside each other."""

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.compare_content import Content, Version
from carrierfloor.cli.compare_page import POINT_WORDS
from carrierfloor.cli.screen import NOTE, QUIET

LONGEST_NAME = 18  # characters of a version's name in a column
LONGEST_FIGURE = 11  # "-134.5 dBFS"
LONGEST_ROW = 20  # "  Modulation density", in the first column


def show(content: Content, console: Console) -> None:
    """Print every phrase with the figures of its versions."""
    for phrase in content.phrases:
        console.print(Text(phrase.name, style="bold"))
        room = console.width - LONGEST_ROW
        for versions in screen.side_by_side(phrase.versions, _width, room):
            console.print(_table(versions, content.points))
            console.print()
    console.print(Text(content.receiver, style=QUIET))
    for note in content.notes:
        console.print(Text(f"Note: {note}", style=NOTE))


def _width(version: Version) -> int:
    return min(max(len(version.name), LONGEST_FIGURE), LONGEST_NAME)


def _table(versions: Sequence[Version], points: tuple[str, ...]) -> Table:
    table = screen.table()
    table.add_column("", no_wrap=True)
    for version in versions:
        table.add_column(version.name, justify="right", overflow="fold", max_width=LONGEST_NAME)
    for point in points:
        table.add_row(Text(POINT_WORDS[point], style="bold"))
        columns = [version.figures[point] for version in versions]
        for row in zip(*columns, strict=True):
            cells = [f"{figure.value} {figure.unit}".rstrip() for figure in row]
            table.add_row(f"  {row[0].name}", *cells)
    return table
