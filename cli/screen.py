"""The terminal: results go to standard output, progress and remarks to standard error."""

import sys
from typing import NoReturn

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

REDIRECTED_WIDTH = 120  # into a file or a pipe lines need not be short


class _Screen(Console):
    def on_broken_pipe(self) -> NoReturn:
        """Leave to ``main`` what happens when the reader stops; rich would exit with status 1."""
        raise BrokenPipeError


def results() -> Console:
    """Return the console for what the user asked for."""
    width = None if sys.stdout.isatty() else REDIRECTED_WIDTH
    return _Screen(file=sys.stdout, highlight=False, width=width)


def remarks() -> Console:
    """Return the console for what happens meanwhile."""
    return Console(file=sys.stderr, highlight=False, soft_wrap=True)


def progress_bar() -> Progress:
    """Return a progress bar that shows on a terminal and leaves nothing behind."""
    console = remarks()
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
