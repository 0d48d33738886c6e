"""Words, numbers and bars of the live console: each as wide as asked, whatever the value."""

import math
from collections.abc import Sequence

from rich.cells import cell_len
from rich.text import Text

GOOD, WARNING, BAD, QUIET, PLAIN = "green", "yellow", "bold red", "dim", ""
EIGHTHS = " ▏▎▍▌▋▊▉"
FULL, RIGHT_HALF, LEFT_HALF, TRACK = "█", "▐", "▌", "·"
LARGEST = 9999.0
GAP = "   "


def clean(words: str) -> str:
    """Return words without line ends and what else could move the cursor."""
    return " ".join("".join(c if c.isprintable() else " " for c in words).split())


def number(value: float | None, form: str = ".1f", unit: str = "") -> str:
    """Return a number with its unit; in words if it is none or beyond any meter."""
    if value is None:
        return "none"
    if math.isnan(value):
        return "unknown"
    if abs(value) > LARGEST:
        return f"{'>' if value > 0.0 else '<-'}{LARGEST:.0f} {unit}".rstrip()
    text = f"{value:{form}} {unit}".rstrip()
    zero = f"{0.0:{form}} {unit}".rstrip()
    return zero.replace("+", "") if text.lstrip("+-") == zero.lstrip("+-") else text


def duration(seconds: float) -> str:
    """Return hours, minutes and seconds, with days ahead if there are any."""
    if not 0.0 <= seconds < 1e9:
        return "0:00:00"
    minutes, second = divmod(int(seconds), 60)
    hours, minute = divmod(minutes, 60)
    days, hour = divmod(hours, 24)
    return f"{f'{days} d ' if days else ''}{hour}:{minute:02d}:{second:02d}"


def fitted(line: Text, width: int) -> Text:
    """Return a line of exactly so many cells; what does not fit gives way to an ellipsis."""
    line = line.copy()
    line.truncate(width, overflow="ellipsis", pad=True)
    return line


def flow(items: Sequence[Text], width: int, gap: str = GAP) -> list[Text]:
    """Put items side by side into as many lines as they need; none is broken unless too long."""
    lines: list[Text] = []
    for item in items:
        if lines and lines[-1].cell_len + len(gap) + item.cell_len <= width - 1:
            lines[-1].append(gap).append_text(item)
        else:
            lines.append(Text(" ").append_text(item))
    return [fitted(line, width) for line in lines]


def wrapped(words: str, width: int, most_lines: int, style: str = PLAIN) -> list[Text]:
    """Return a sentence in lines, broken between words."""
    lines: list[str] = []
    for word in clean(words).split():
        if lines and cell_len(lines[-1]) + 1 + cell_len(word) <= width - 2:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    if len(lines) > most_lines:
        lines[most_lines - 1 :] = [" ".join(lines[most_lines - 1 :])]
    return [fitted(Text(f" {line}", style=style), width) for line in lines]


def bar(share: float, width: int, style: str, marks: Sequence[tuple[float, str]] = ()) -> Text:
    """Return a bar from the left.

    Parameters
    ----------
    share : float
        How full it is, 0 to 1; beyond counts as the nearest.
    width : int
        In cells.
    style : str
        Of the full part.
    marks : sequence of (float, str)
        Where, 0 to 1, a character stands on it.
    """
    eighths = round(_within(share) * 8 * width)
    cells = list(FULL * (eighths // 8) + (EIGHTHS[eighths % 8] if eighths % 8 else ""))
    full = len(cells)
    cells += TRACK * (width - full)
    line = Text("".join(cells))
    line.stylize(style, 0, full)
    line.stylize(QUIET, full)
    for where, mark in marks:
        at = min(int(_within(where) * width), width - 1)
        line = line[:at] + Text(mark) + line[at + 1 :]
    return line


def bar_from_middle(share: float, width: int, style: str) -> Text:
    """Return a bar from the middle: to the right for a share up to 1, to the left down to -1."""
    middle = width // 2
    room = middle if share < 0.0 else width - middle - 1
    halves = round(_within(abs(share)) * 2 * room)
    full, half = FULL * (halves // 2), halves % 2
    free = TRACK * (room - len(full) - half)
    if share < 0.0:
        line = Text(f"{free}{RIGHT_HALF * half}{full}│{TRACK * (width - middle - 1)}")
    else:
        line = Text(f"{TRACK * middle}│{full}{LEFT_HALF * half}{free}")
    line.stylize(QUIET)
    start = len(free) if share < 0.0 else middle + 1
    line.stylize(f"not dim {style}", start, start + len(full) + half)
    return line


def _within(share: float) -> float:
    return min(max(share, 0.0), 1.0) if not math.isnan(share) else 0.0
