"""The terminal: results go to standard output, progress and remarks to standard error."""

import sys
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NoReturn, TypeVar

from rich import box
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

GOOD, BAD, NOTE, QUIET = "green", "bold red", "yellow", "dim"  # styles
# Names of files, paths and devices are shown as they are, whatever brackets or colons they hold.
AS_IT_IS: dict[str, Any] = {"markup": False, "emoji": False, "highlight": False}
REDIRECTED_WIDTH = 120  # into a file or a pipe lines need not be short
BETWEEN = 3  # characters between two columns of a table

Column = TypeVar("Column")


class _Screen(Console):
    def on_broken_pipe(self) -> NoReturn:
        """Leave to ``main`` what happens when the reader stops; rich would exit with status 1."""
        raise BrokenPipeError


def results() -> Console:
    """Return the console for what the user asked for."""
    width = None if sys.stdout.isatty() else REDIRECTED_WIDTH
    return _Screen(file=sys.stdout, width=width, **AS_IT_IS)


def remarks() -> Console:
    """Return the console for what happens meanwhile."""
    return Console(file=sys.stderr, soft_wrap=True, **AS_IT_IS)


def table(*titles: str, **options: Any) -> Table:
    """Return an empty table in the style of all tables, with columns of these titles."""
    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, **options)
    for title in titles:
        made.add_column(title)
    return made


def side_by_side(
    columns: Sequence[Column], width: Callable[[Column], int], room: int
) -> Iterator[list[Column]]:
    """Yield as many columns as there is room for, in characters, and then the next.

    Parameters
    ----------
    columns : sequence
        Of any kind.
    width : callable
        Gives the width of one, without the gap before it.
    room : int
        What is left beside the first column, which every table repeats.
    """
    group: list[Column] = []
    for column in columns:
        group.append(column)
        if sum(BETWEEN + width(one) for one in group) > room and len(group) > 1:
            yield group[:-1]
            group = [column]
    yield group


def progress_bar() -> Progress:
    """Return a progress bar that shows on a terminal and leaves nothing behind."""
    console = remarks()
    return Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
