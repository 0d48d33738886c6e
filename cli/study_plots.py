"""Drawing what a study found: numbers in, axes out; colours as in cli/plots.py."""

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from scipy.optimize import isotonic_regression

from carrierfloor.cli.plot_labels import Label
from carrierfloor.cli.plots import BLUE, DASHES, INK, VERMILION, VIOLET
from carrierfloor.cli.study_figures import SettingFigures

Settings = Sequence[SettingFigures]
Price = Callable[[SettingFigures], float]

# One for each voice, each with a mark of its own: no meaning hangs on colour alone.
LINES = ((BLUE, "-"), (VERMILION, "--"), (VIOLET, "-."), (INK, ":"))
MARKS = "os^DvP<X>"  # one more or less than a multiple of the lines: 36 voices look different
FAINTEST, WIDTH = 0.45, 1.6
LONGEST_NAME = 22  # characters; two names stand above a panel
LEAST_APART = 0.04  # names at the ends of lines, in scores
LEAST_RANGE_DB = 1.0  # of an axis of gains: hundredths of a decibel must look like nothing
MOST_TICKS = 6  # below an axis, so that their numbers stand apart
MOST_DRIVES = 25  # in one panel, each beside its point; of more only the ends of each line


def short(name: str) -> str:
    """Return a name with as much of its end as there is room for: paths differ there."""
    return name if len(name) <= LONGEST_NAME else f"…{name[1 - LONGEST_NAME :]}"


def intelligibility_plot(settings: Settings, unprocessed: Settings, *, ax: Axes) -> Axes:
    """Draw the mean score of each drive of one voice over the carrier-to-noise ratio.

    The line's end says the drive; the stronger it is, the darker the line.
    """
    ends: list[tuple[float, str, str]] = []
    for one in unprocessed:
        end = _scores(one, ax=ax, color=INK, linestyle=DASHES, marker=".")
        ends.append((end, one.voice, INK))
    for number, one in enumerate(settings, 1):
        alpha = FAINTEST + (1.0 - FAINTEST) * number / len(settings)
        name = short(one.voice) if one.drive_db is None else f"{one.drive_db:g} dB"
        ends.append((_scores(one, ax=ax, color=BLUE, alpha=alpha, marker="o"), name, BLUE))
    ends.sort()
    for height, (_, name, color) in zip(_apart([end for end, _, _ in ends]), ends, strict=True):
        ax.annotate(
            name, (1.01, height), xycoords=ax.get_yaxis_transform(), va="center", fontsize=8.0,
            color=color, annotation_clip=False,
        )  # fmt: skip
    ax.set(xlabel="Carrier over noise in 10 kHz (dB)", ylabel="ESTOI, mean", ylim=(0.0, 1.0))
    ax.margins(x=0.03)
    _grid(ax)
    return ax


def _apart(ends: Sequence[float]) -> Sequence[float]:
    """Return heights between 0 and 1, LEAST_APART from each other and as near as may be to ends.

    Less the least distances the heights may only not fall: R. Barlow et al., "Statistical inference
    under order restrictions", 1972, have the nearest such line.
    """
    least = LEAST_APART * np.arange(len(ends))
    nearest = isotonic_regression(np.asarray(ends) - least).x
    heights: list[float] = (np.clip(nearest, 0.0, max(0.0, 1.0 - least[-1])) + least).tolist()
    return heights


def gain_plot(settings: Settings, column: str, *, ax: Axes) -> Axes:
    """Draw the power gain of each voice over its drive: the mean, and small the worst phrase."""
    for number, (voice, ours) in enumerate(_voices(settings)):
        color, marker, style = _look(number)
        known = [(one, spread) for one in ours if (spread := one.gains[column].spread)]
        if not known:
            continue
        look: dict[str, Any] = {"color": color, "linestyle": style}
        means = [spread.mean for _, spread in known]
        worst = [spread.worst for _, spread in known]
        drives = [one.drive_db for one, _ in known if one.drive_db is not None]
        if not drives:
            ax.axhline(means[0], label=f"{short(voice)}, no drive", linewidth=WIDTH, **look)
            ax.axhline(worst[0], linewidth=0.6, **look)
            continue
        ax.plot(drives, means, marker=marker, label=short(voice), linewidth=WIDTH, **look)
        ax.plot(drives, worst, marker=marker, markersize=3.0, linewidth=0.6, **look)
    ax.set(xlabel="Drive (dB)", ylabel="Effective power gain (dB)\nmean; small: the worst phrase")
    if all(one.drive_db is None for one in settings):
        ax.set(xlabel="No drive", xticks=[])
    _range(ax)
    _grid(ax)
    return ax


def price_plot(settings: Settings, column: str, price: Price, *, ax: Axes) -> list[Label]:
    """Draw the mean power gain of every setting over what it costs.

    Returns
    -------
    list of Label
        The drive of each point in dB, for :func:`place_labels` when the layout is final.
    """
    is_crowded = len(settings) > MOST_DRIVES
    labels: list[Label] = []
    for number, (voice, ours) in enumerate(_voices(settings)):
        color, marker, style = _look(number)
        points = [
            (price(one), spread.mean, one.drive_db)
            for one in ours
            if (spread := one.gains[column].spread)
        ]
        x, y = [point[0] for point in points], [point[1] for point in points]
        look: dict[str, Any] = {"color": color, "linestyle": style, "marker": marker}
        ax.plot(x, y, label=short(voice), linewidth=0.8, **look)
        labels += [
            Label((left, top), f"{drive_db:g}", color)
            for left, top, drive_db in (points[:: len(points) - 1 or 1] if is_crowded else points)
            if drive_db is not None
        ]
    ax.set_ylabel("Effective power gain, mean (dB)")
    ax.margins(x=0.1, y=0.1)
    ax.locator_params(axis="x", nbins=MOST_TICKS)
    _range(ax)
    _grid(ax)
    return labels


def _look(number: int) -> tuple[str, str, str]:
    """Return colour, mark and line of a voice."""
    color, style = LINES[number % len(LINES)]
    return color, MARKS[number % len(MARKS)], style


def _range(ax: Axes) -> None:
    """Let the axis of gains show LEAST_RANGE_DB or more, and all lines."""
    low_db, high_db = ax.dataLim.intervaly
    middle_db, half_db = (low_db + high_db) / 2.0, LEAST_RANGE_DB / 2.0
    if math.isfinite(middle_db):
        ends = [(0.0, middle_db - half_db), (0.0, middle_db + half_db)]
        ax.update_datalim(ends, updatex=False)
        ax.autoscale(axis="y")


def _scores(one: SettingFigures, *, ax: Axes, **look: Any) -> float:
    """Draw one line and return where it ends."""
    ratios_db = sorted(one.intelligibility)
    means = [one.intelligibility[ratio_db].mean for ratio_db in ratios_db]
    ax.plot(ratios_db, means, linewidth=WIDTH, markersize=4.0, **look)
    return means[-1]


def _voices(settings: Settings) -> list[tuple[str, list[SettingFigures]]]:
    """Group settings by voice, each in order of its drive."""
    groups: dict[str, list[SettingFigures]] = {}
    for one in settings:
        groups.setdefault(one.voice, []).append(one)
    return [(v, sorted(ours, key=lambda one: one.drive_db or 0.0)) for v, ours in groups.items()]


def _grid(ax: Axes) -> None:
    ax.grid(color=INK, alpha=0.25, linewidth=0.6)
