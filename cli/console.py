"""The console of a live session: the screen and the keys.

The screen is drawn by a thread of its own.  A terminal that takes nothing more, such as one behind
a dead network connection, then stops the picture and not the session.
"""

import sys
import threading
from contextlib import suppress
from types import TracebackType
from typing import Self

from rich import console as rich_console
from rich.console import ConsoleOptions, RenderResult
from rich.live import Live

from carrierfloor.cli import screen
from carrierfloor.cli.console_view import draw
from carrierfloor.cli.keyboard import Keyboard
from carrierfloor.cli.live_keys import HELP, actions_of
from carrierfloor.cli.live_status import LiveStatus

REDRAWN_EVERY_S = 0.1
PATIENCE_S = 1.0  # for a terminal that takes nothing more, at the end
NEEDED = "█▏│┃·─→↑⣿"  # some of what is drawn


def can_show() -> bool:
    """Return whether standard output is a terminal that can show the console."""
    console = screen.results()
    if not console.is_terminal or console.is_dumb_terminal or console.legacy_windows:
        return False
    try:
        NEEDED.encode(sys.stdout.encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


class Console:
    """Show a live session inside a ``with`` statement; the screen is restored behind it.

    Attributes
    ----------
    has_keys : bool
        Whether keys can be read.
    """

    def __init__(self) -> None:
        self._keyboard = Keyboard()
        self._picture = _Picture()
        self._live = Live(
            self._picture,
            console=screen.results(),
            screen=True,
            auto_refresh=False,
            redirect_stdout=False,
            redirect_stderr=False,
        )
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._redraw, name="console", daemon=True)
        self._error: Exception | None = None

    @property
    def has_keys(self) -> bool:
        """Whether keys can be read."""
        return self._keyboard.is_on

    def __enter__(self) -> Self:
        self._keyboard.__enter__()
        try:
            self._live.start()
            self._thread.start()
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ended.set()
        try:
            if self._thread.is_alive():
                self._thread.join(PATIENCE_S)
            # A thread that still runs means that the terminal takes nothing, not even this.
            if self._live.is_started and not self._thread.is_alive():
                with suppress(OSError):  # the terminal is gone
                    # Some terminals that were made larger leave rows of it behind otherwise.
                    self._live.console.clear()
                    self._live.stop()
        finally:
            self._keyboard.__exit__(kind, error, trace)

    def show(self, status: LiveStatus) -> None:
        """Show a moment; it is drawn within a tenth of a second, at the terminal's size then.

        Raises
        ------
        Exception
            What went wrong in drawing, such as an OSError if the terminal is gone.
        """
        if self._error is not None:
            raise self._error
        self._picture.status = status

    def actions(self) -> list[str]:
        """Return the actions asked for by keys since the last call; see live_keys.py.

        Help is not among them: the console shows it.
        """
        names = actions_of(self._keyboard.pressed())
        if names.count(HELP) % 2:
            self._picture.with_help = not self._picture.with_help
        return [name for name in names if name != HELP]

    def _redraw(self) -> None:
        try:
            while not self._ended.wait(REDRAWN_EVERY_S):
                self._live.refresh()
        except Exception as error:  # shown by the thread that runs the session
            self._error = error


class _Picture:
    """The newest moment, drawn to the size that the terminal has."""

    def __init__(self) -> None:
        self.status = LiveStatus()
        self.with_help = False

    def __rich_console__(
        self, console: rich_console.Console, options: ConsoleOptions
    ) -> RenderResult:
        width, height = options.max_width, options.height or console.height
        yield draw(self.status, width, height, with_help=self.with_help)
