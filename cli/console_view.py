"""The screen of a live session, drawn anew at every moment to the size of the terminal.

Colours only repeat what words say.  Numbers keep their places, so that nothing jumps about.
"""

from rich.text import Text

from carrierfloor.cli.console_facts import (
    caution_lines,
    loop_lines,
    rig_lines,
    state_line,
    voice_lines,
)
from carrierfloor.cli.console_keys import help_lines, keys_line
from carrierfloor.cli.console_meters import meter_lines
from carrierfloor.cli.console_plots import LABEL_WIDTH, envelope_lines, trapezoid_lines
from carrierfloor.cli.console_words import QUIET, fitted, number, wrapped
from carrierfloor.cli.live_status import LiveStatus

LEAST_WIDTH, LEAST_HEIGHT = 60, 20
SHORT_ROWS = 24  # below, what does not change while live is left out
ROOMY_ROWS = 30  # of the screen, from which there are lines between its parts
LEAST_PLOT_ROWS = 3
WIDE, LEAST_TRAPEZOID_ROWS = 120, 8


def draw(status: LiveStatus, width: int, height: int, *, with_help: bool = False) -> Text:
    """Draw a moment.

    Parameters
    ----------
    status : LiveStatus
        The moment.
    width, height : int
        Of the terminal; all of it is filled.
    with_help : bool
        Whether the panel of keys stands in the place of the envelope.

    Returns
    -------
    Text
        ``height`` lines of ``width`` cells.  Below 60 x 20 only what matters most.
    """
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        lines = _small(status, width)
    else:
        lines = _whole(status, width, height, with_help)
    lines = lines[:height] + [Text(" " * width)] * (height - len(lines))
    screen = Text("\n", no_wrap=True, overflow="crop", end="").join(lines)
    screen.no_wrap, screen.overflow, screen.end = True, "crop", ""
    return screen


def _whole(status: LiveStatus, width: int, height: int, with_help: bool) -> list[Text]:
    is_short = height < SHORT_ROWS
    rule = [Text("─" * width, style=QUIET)] if height >= ROOMY_ROWS else []
    top = [
        state_line(status, width),
        *caution_lines(status, width),
        *voice_lines(status, width, is_short=is_short),
        *rig_lines(status, width, is_short=is_short),
        *rule,
        *meter_lines(status, width),
        *rule,
    ]
    loop = [*rule, *loop_lines(status, width, is_short=is_short)]
    message = wrapped(status.message, width, 2) or [Text(" " * width)]
    below = [*message, keys_line(width)]
    rows = height - len(top) - len(below)
    if with_help:
        panel = help_lines(width)
        loop = loop if len(panel) + len(loop) <= rows else []
    else:
        panel = _plots(status, width, rows - len(loop))
    return [*top, *_filled(panel, rows - len(loop), width), *loop, *below]


def _filled(lines: list[Text], rows: int, width: int) -> list[Text]:
    return lines[:rows] + [Text(" " * width)] * (rows - len(lines))


def _small(status: LiveStatus, width: int) -> list[Text]:
    """Return what matters most, for a terminal that is too small."""
    needed = f"The console needs a terminal of {LEAST_WIDTH}x{LEAST_HEIGHT}."
    meters = status.meters
    peaks = (
        f"Negative {number(-meters.negative_hold_pct, '+.1f', '%')}, "
        f"positive {number(meters.positive_hold_pct, '+.1f', '%')}"
    )
    return [
        state_line(status, width),
        *caution_lines(status, width),
        fitted(Text(f" {peaks}"), width),
        *wrapped(status.message, width, 2),
        *wrapped(needed, width, 2, QUIET),
    ]


def _plots(status: LiveStatus, width: int, rows: int) -> list[Text]:
    """Return the envelope, at wide terminals with the trapezoid beside it."""
    if rows < LEAST_PLOT_ROWS:
        return []
    limits = (status.negative_limit_pct, status.positive_limit_pct)
    if width < WIDE or rows < LEAST_TRAPEZOID_ROWS:
        lines = envelope_lines(status.envelope, width - 1, rows, *limits)
        return [fitted(line, width) for line in lines]
    right = min(2 * rows + LABEL_WIDTH, width * 2 // 5)
    left = width - right - 1
    titles = [
        fitted(Text(" Envelope at the antenna, predicted"), left),
        fitted(Text("  Trapezoid, upper half"), right),
    ]
    pictures = zip(
        [titles[0], *envelope_lines(status.envelope, left, rows - 1, *limits)],
        [titles[1], *trapezoid_lines(status.trapezoid, right, rows - 1, *limits)],
        strict=True,
    )
    return [Text.assemble(one, other, " ") for one, other in pictures]
