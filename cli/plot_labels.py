"""Words beside the points of a plot, none over another: each goes to the best free place."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

Dots = NDArray[np.float64]  # shape (n, 2): places in the figure
Pair = NDArray[np.float64]  # shape (2,): one place, or half of width and height

# All lengths are in points, 1/72 inch.
FONT, HALF_MARK, ROOM = 8.0, 4.0, 1.5  # size of words, of marks; what stays free around words
DISTANCES = (6.0, 12.0, 19.0, 27.0, 36.0, 46.0)  # from a point to the edge of its words
BESIDE = 8.0  # further off, a thin line leads to the words
DIRECTIONS = 16
STEP = 2.0  # lines and surfaces count as dots so far apart
# What a place costs beside its distance: for each dot of a line below it, for each of what must
# stay uncovered, and for standing outside.
CROSSED, COVERED, OUTSIDE = 2.0, 1e3, 1e6


@dataclass(frozen=True)
class Label:
    """Words for a point."""

    point: tuple[float, float]  # in the units of the axes
    words: str
    color: str


@dataclass(frozen=True, eq=False)
class _Place:
    """Where a label may stand."""

    mark: Pair  # the point that it is for
    middle: Pair
    half: Pair
    distance: float

    @property
    def surface(self) -> Dots:
        """What the words cover."""
        return _surface(self.middle, self.half)

    @property
    def leader(self) -> Dots:
        """The way to the words, from where the mark ends."""
        way = self.middle - self.mark
        return _between(self.mark + way * (1.5 * HALF_MARK / np.hypot(*way)), self.middle)


def place_labels(labels: Sequence[Label], *, ax: Axes) -> None:
    """Write each label near its point; a thin line leads to one that stands further off.

    While there is room, a label covers no other, no mark and no leader, and stays inside the axes;
    it covers a line of the plot only where going further away would be worse.  Limits and layout
    must be final: places hang on them.
    """
    scale = 72.0 / ax.figure.dpi
    frame = np.asarray(ax.bbox.extents) * scale
    marks = [np.asarray(ax.transData.transform(label.point)) * scale for label in labels]
    lines = _joined(_lines(ax, scale))
    taken = _joined(_surface(mark, np.full(2, HALF_MARK)) for mark in marks)
    for label, mark in zip(labels, marks, strict=True):
        best = _best(_places(mark, _half_size(label, ax) * scale), lines, taken, frame)
        _write(label, best, ax)
        taken = np.concatenate([taken, best.surface, best.leader])


def _places(mark: Pair, half: Pair) -> Iterator[_Place]:
    for distance in DISTANCES:
        for number in range(DIRECTIONS):
            angle = 2.0 * math.pi * number / DIRECTIONS
            way = np.array([math.cos(angle), math.sin(angle)])
            corner = np.clip(math.sqrt(2.0) * way, -1.0, 1.0)  # of the words, or its side's middle
            yield _Place(mark, mark + distance * way + half * corner, half, distance)


def _best(places: Iterator[_Place], lines: Dots, taken: Dots, frame: Pair) -> _Place:
    """Return the cheapest place."""
    best, least = None, math.inf
    for place in places:
        cost = _cost(place, lines, taken, frame)
        if cost < least and place.distance > BESIDE:
            cost += COVERED * sum(_count(taken, dot, np.full(2, ROOM)) for dot in place.leader)
        if cost < least:
            best, least = place, cost
    assert best is not None
    return best


def _cost(place: _Place, lines: Dots, taken: Dots, frame: Pair) -> float:
    """Return what the words cost there, without their leader."""
    low, high = place.middle - place.half - ROOM, place.middle + place.half + ROOM
    is_outside = bool(np.any(low < frame[:2]) or np.any(high > frame[2:]))
    crossed = _count(lines, place.middle, place.half)
    covered = _count(taken, place.middle, place.half + ROOM)
    return place.distance + CROSSED * crossed + COVERED * covered + OUTSIDE * is_outside


def _write(label: Label, place: _Place, ax: Axes) -> None:
    leader = {"arrowstyle": "-", "color": label.color, "linewidth": 0.5, "shrinkA": 0.0}
    ax.annotate(
        label.words, label.point, xytext=tuple(place.middle - place.mark),
        textcoords="offset points", ha="center", va="center", fontsize=FONT, color=label.color,
        arrowprops=leader if place.distance > BESIDE else None,
    ).set_in_layout(False)  # fmt: skip


def _half_size(label: Label, ax: Axes) -> Pair:
    """Return half of width and height of the words, in dots of the screen."""
    text = ax.text(0.0, 0.0, label.words, fontsize=FONT)
    extent = text.get_window_extent()
    text.remove()
    return np.array([extent.width, extent.height]) / 2.0


def _lines(ax: Axes, scale: float) -> Iterator[Dots]:
    for line in ax.lines:
        corners = np.asarray(ax.transData.transform(line.get_xydata())) * scale
        for begin, end in pairwise(corners):
            yield _between(begin, end)


def _joined(parts: Iterator[Dots]) -> Dots:
    return np.concatenate([np.zeros((0, 2)), *parts])


def _between(begin: Pair, end: Pair) -> Dots:
    steps = math.ceil(float(np.hypot(*(end - begin))) / STEP)
    return begin + np.linspace(0.0, 1.0, steps + 1)[:, None] * (end - begin)


def _surface(middle: Pair, half: Pair) -> Dots:
    x, y = (np.linspace(-size, size, math.ceil(2.0 * size / STEP) + 1) for size in half)
    grid: Dots = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return middle + grid


def _count(dots: Dots, middle: Pair, half: Pair) -> int:
    """Return how many dots lie inside a box."""
    inside = np.abs(dots - middle) < half
    return int(np.count_nonzero(inside[:, 0] & inside[:, 1]))
