"""What ``compare`` prints: the figures of all versions beside each other."""

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.compare_content import Content, Phrase
from carrierfloor.cli.compare_page import POINT_WORDS
from carrierfloor.cli.screen import NOTE, QUIET

LONGEST_NAME = 18  # characters of a version's name in a column


def show(content: Content, console: Console) -> None:
    """Print every phrase with the figures of its versions."""
    for phrase in content.phrases:
        console.print(Text(phrase.name, style="bold"))
        console.print(_table(phrase, content.points))
        console.print()
    console.print(Text(content.receiver, style=QUIET))
    for note in content.notes:
        console.print(Text(f"Note: {note}", style=NOTE))


def _table(phrase: Phrase, points: tuple[str, ...]) -> Table:
    table = screen.table("")
    for version in phrase.versions:
        table.add_column(version.name, justify="right", max_width=LONGEST_NAME)
    for point in points:
        table.add_row(Text(POINT_WORDS[point], style="bold"))
        columns = [version.figures[point] for version in phrase.versions]
        for row in zip(*columns, strict=True):
            cells = [f"{figure.value} {figure.unit}".rstrip() for figure in row]
            table.add_row(f"  {row[0].name}", *cells)
    return table
