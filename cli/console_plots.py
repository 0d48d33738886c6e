"""The live envelope and the live trapezoid, drawn in braille: eight dots in every character.

Zero, where the carrier is off, is the line at the bottom; 1 is the carrier as it is unmodulated.
"""

import math
from collections.abc import Iterator, Sequence
from itertools import groupby
from operator import itemgetter

from rich.text import Text

from carrierfloor.cli.console_words import BAD, QUIET, fitted
from carrierfloor.dsp.desk_meters import COLUMN_SAMPLES, COLUMNS
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

Pairs = Sequence[tuple[float, float]]

WAVE = "cyan"
LABEL_WIDTH = 9
DOTS_WIDE, DOTS_HIGH = 2, 4
BRAILLE = 0x2800
DOT_BITS = ((0x40, 0x04, 0x02, 0x01), (0x80, 0x20, 0x10, 0x08))  # Unicode's order, upwards
# The dots of a run from one row of a character up to another, for each of its two columns.
RUN_BITS = [
    [[sum(bits[first : last + 1]) for last in range(DOTS_HIGH)] for first in range(DOTS_HIGH)]
    for bits in DOT_BITS
]
HEADROOM = 1.04  # of the picture over the highest crest allowed
CARRIER_STEP, LIMIT_STEP = 2, 6  # a dot of the line every so many dots
TOLERANCE = 0.001  # of m, over a limit, before it is drawn as over


class _Canvas:
    """A field of dots; the lowest row is 0."""

    def __init__(self, width: int, rows: int, highest: float) -> None:
        self.wide, self.high = DOTS_WIDE * width, DOTS_HIGH * rows
        self._highest = highest
        self._lines = [[0] * width for _ in range(rows)]
        self._wave = [[0] * width for _ in range(rows)]
        self._over = [[False] * width for _ in range(rows)]

    def row(self, value: float) -> int:
        """Return the row of dots of an envelope."""
        share = value / self._highest if math.isfinite(value) else 0.0
        return min(max(int(share * self.high), 0), self.high - 1)

    def line_row(self, value: float) -> int:
        """Return the row of characters of an envelope, from the top."""
        return (self.high - 1 - self.row(value)) // DOTS_HIGH

    def rule(self, value: float, step: int) -> None:
        y = self.row(value)
        at, up = len(self._lines) - 1 - y // DOTS_HIGH, y % DOTS_HIGH
        for x in range(0, self.wide, step):
            self._lines[at][x // DOTS_WIDE] |= RUN_BITS[x % DOTS_WIDE][up][up]

    def column(self, x: int, lowest: float, highest: float, *, is_over: bool) -> None:
        bottom, top, cell = self.row(lowest), self.row(highest), x // DOTS_WIDE
        for up in range(bottom // DOTS_HIGH, top // DOTS_HIGH + 1):
            first = max(bottom - up * DOTS_HIGH, 0)
            last = min(top - up * DOTS_HIGH, DOTS_HIGH - 1)
            at = len(self._wave) - 1 - up
            self._wave[at][cell] |= RUN_BITS[x % DOTS_WIDE][first][last]
            self._over[at][cell] |= is_over

    def line(self, at: int) -> Text:
        """Return a line of characters, from the top."""
        cells = zip(self._wave[at], self._lines[at], self._over[at], strict=True)
        styled = [
            (QUIET if rule and not wave else BAD if over else WAVE, chr(BRAILLE + (wave or rule)))
            for wave, rule, over in cells
        ]
        runs = groupby(styled, key=itemgetter(0))
        parts = [("".join(dots for _, dots in run), style) for style, run in runs]
        return Text.assemble(*((words.replace(chr(BRAILLE), " "), style) for words, style in parts))


def envelope_lines(
    envelope: Pairs, width: int, rows: int, negative_limit_pct: float, positive_limit_pct: float
) -> list[Text]:
    """Draw the envelope of the last seconds, the newest at the right.

    Parameters
    ----------
    envelope : sequence of pairs
        See ``LiveStatus.envelope``.
    width, rows : int
        Of all of it in characters; the last row is the line of zero.
    negative_limit_pct, positive_limit_pct : float
        The rig's.

    Returns
    -------
    list of Text
        ``rows`` lines of ``width`` cells.
    """
    limits = (negative_limit_pct / 100.0, positive_limit_pct / 100.0)
    canvas = _canvas(width - LABEL_WIDTH, rows - 1, limits)
    columns_a_dot = max(1, COLUMNS // canvas.wide)
    for age, (lowest, highest) in enumerate(_grouped(envelope, columns_a_dot)):
        if age >= canvas.wide:
            break
        is_over = -lowest > limits[0] + TOLERANCE or highest > limits[1] + TOLERANCE
        canvas.column(canvas.wide - 1 - age, 1.0 + lowest, 1.0 + highest, is_over=is_over)
    seconds = columns_a_dot * canvas.wide * COLUMN_SAMPLES / SAMPLE_RATE_HZ
    axis = _axis(f"{seconds:.1f} s ago", "now", width - LABEL_WIDTH)
    return _labelled(canvas, rows - 1, limits, axis, width)


def trapezoid_lines(
    pairs: Pairs, width: int, rows: int, negative_limit_pct: float, positive_limit_pct: float
) -> list[Text]:
    """Draw the upper half of the trapezoid: the envelope over the sample at the sound card.

    Parameters and result are those of :func:`envelope_lines`, with ``LiveStatus.trapezoid``.
    """
    limits = (negative_limit_pct / 100.0, positive_limit_pct / 100.0)
    canvas = _canvas(width - LABEL_WIDTH, rows - 1, limits)
    left, right = -HEADROOM, HEADROOM * limits[1]
    for x, m in pairs:
        share = (x - left) / (right - left) if math.isfinite(x) else 0.0
        at = min(max(int(share * canvas.wide), 0), canvas.wide - 1)
        is_over = -m > limits[0] + TOLERANCE or m > limits[1] + TOLERANCE
        canvas.column(at, 1.0 + m, 1.0 + m, is_over=is_over)
    axis = _axis("-100 %", f"+{positive_limit_pct:.0f} %", width - LABEL_WIDTH, "sound card")
    return _labelled(canvas, rows - 1, limits, axis, width)


def _canvas(width: int, rows: int, limits: tuple[float, float]) -> _Canvas:
    canvas = _Canvas(max(width, 1), max(rows, 1), HEADROOM * (1.0 + limits[1]))
    canvas.rule(1.0, CARRIER_STEP)
    canvas.rule(1.0 + limits[1], LIMIT_STEP)
    canvas.rule(1.0 - limits[0], LIMIT_STEP)
    return canvas


def _grouped(envelope: Pairs, size: int) -> Iterator[tuple[float, float]]:
    """Yield lowest and highest of every few columns, the newest first."""
    for end in range(len(envelope), 0, -size):
        group = envelope[max(end - size, 0) : end]
        yield min(low for low, _ in group), max(high for _, high in group)


def _labelled(
    canvas: _Canvas, rows: int, limits: tuple[float, float], axis: str, width: int
) -> list[Text]:
    """Put the names of the lines ahead; where two fall together the first keeps its place."""
    names: dict[int, str] = {}
    for value, name in (
        (1.0 + limits[1], f"+{100.0 * limits[1]:.0f} %"),
        (1.0 - limits[0], f"-{100.0 * limits[0]:.4g} %"),
        (1.0, "carrier"),
    ):
        names.setdefault(canvas.line_row(value), name)
    lines = [
        Text.assemble((f"{names.get(at, ''):>{LABEL_WIDTH - 1}} ", QUIET), canvas.line(at))
        for at in range(rows)
    ]
    lines.append(Text(f"{'cut-off':>{LABEL_WIDTH - 1}} {axis}"))
    return [fitted(line, width) for line in lines]


def _axis(left: str, right: str, width: int, middle: str = "") -> str:
    """Return the line of zero, with words on it."""
    left, right = f"─ {left} ", f" {right} ─"
    middle = f" {middle} " if middle else ""
    return left + middle.center(max(width - len(left) - len(right), 0), "─") + right
