"""Pictures of what the antenna sees, readable on light and on dark pages.

The background is transparent; cli/plots.py draws what is on it.
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.figure import Figure

from carrierfloor.cli.plots import (
    BLUE,
    INK,
    VERMILION,
    VIOLET,
    histogram_plot,
    mark_limits,
    moment_plot,
    name_limits,
    name_lines,
    overview_plot,
    spectrum_plot,
    trapezoid_plot,
)
from carrierfloor.cli.whole_file import beside
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.modulation import ModulationReading
from carrierfloor.dsp.prediction import AntennaReading
from carrierfloor.dsp.rig import Modulation, Rig

STYLE: Any = {
    "font.size": 10.0,
    "axes.titlesize": 10.0,
    "axes.labelsize": 10.0,
    "xtick.labelsize": 9.0,
    "ytick.labelsize": 9.0,
    "legend.fontsize": 9.0,
    "legend.frameon": False,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.8,
    "axes.facecolor": "none",
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
    "savefig.dpi": 150,
    "agg.path.chunksize": 10_000,
    **dict.fromkeys(
        ["text.color", "axes.labelcolor", "axes.edgecolor", "xtick.color", "ytick.color"], INK
    ),
}


@contextmanager
def style() -> Iterator[None]:
    """Draw in the style of this project inside a ``with`` statement."""
    with mpl.rc_context(STYLE):
        yield


def write_pictures(
    folder: Path, signals: Mapping[str, AntennaReading], rig: Rig
) -> tuple[Path, ...]:
    """Draw one or more signals at the antenna of a rig.

    Parameters
    ----------
    folder : Path
        Made if it is not there; gets envelope.png, trapezoid.png, spectrum.png, histogram.png.
    signals : mapping
        Label and reading of each signal, in the order of drawing.
    rig : Rig
        For its limits.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    SettingError
        If they cannot be written.
    """
    with style():
        figures = {
            "envelope": envelope_figure(signals, rig.modulation),
            "trapezoid": trapezoid_figure(signals, rig.modulation),
            "spectrum": spectrum_figure(signals),
            "histogram": histogram_figure(signals, rig.modulation),
        }
        return tuple(save(figure, folder / f"{name}.png") for name, figure in figures.items())


def save(figure: Figure, path: Path) -> Path:
    """Save a figure as PNG, whole or not at all.

    Raises
    ------
    SettingError
        If it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside(path) as part:
            figure.savefig(part, format="png")
    except OSError as error:
        raise SettingError(f"{path}: cannot write there: {error.strerror}") from None
    return path


def envelope_figure(signals: Mapping[str, AntennaReading], limits: Modulation) -> Figure:
    """Draw the envelope of each signal: all of it, and its deepest trough enlarged."""
    figure = Figure(figsize=(9.0, 0.6 + 2.3 * len(signals)), layout="constrained")
    rows = figure.subplots(
        len(signals), 2, squeeze=False, width_ratios=(1.6, 1.0), sharex="col", sharey=True
    )
    for (label, reading), (whole, worst) in zip(signals.items(), rows, strict=True):
        overview_plot(reading.overview, limits, ax=whole)
        moment_plot(reading.worst_moment, limits, ax=worst)
        whole.set_title(f"{label}\n{_verdict(reading.modulation)}")
        worst.set(title=f"Deepest trough, at {reading.modulation.negative_peak_s:.3f} s", ylabel="")
        name_lines(limits, ax=worst)
    for ax in rows[:-1].flat:
        ax.set_xlabel("")
    highest = max(reading.modulation.positive_peak for reading in signals.values())
    rows[0, 0].set_ylim(-0.4, 1.05 + max(highest, limits.positive_limit_pct / 100.0))
    return figure


def trapezoid_figure(signals: Mapping[str, AntennaReading], limits: Modulation) -> Figure:
    """Draw the trapezoid pattern of each signal side by side."""
    figure = Figure(figsize=(0.6 + 4.0 * len(signals), 4.2), layout="constrained")
    row = figure.subplots(1, len(signals), squeeze=False, sharex=True, sharey=True)[0]
    for (label, reading), ax in zip(signals.items(), row, strict=True):
        trapezoid_plot(reading.modulation, limits, ax=ax)
        ax.set_title(label)
    for ax in row[1:]:
        ax.set_ylabel("")
    return figure


def spectrum_figure(signals: Mapping[str, AntennaReading]) -> Figure:
    """Draw the spectra around the carrier over each other."""
    figure = Figure(figsize=(9.0, 4.5), layout="constrained")
    ax = figure.subplots()
    for (label, reading), line in zip(signals.items(), _lines(len(signals)), strict=True):
        spectrum_plot(reading.emission, ax=ax, label=label, **line)
    figure.legend(loc="outside upper center", ncols=len(signals))
    return figure


def histogram_figure(signals: Mapping[str, AntennaReading], limits: Modulation) -> Figure:
    """Draw how m is spread, signals over each other."""
    figure = Figure(figsize=(9.0, 4.0), layout="constrained")
    ax = figure.subplots()
    for (label, reading), line in zip(signals.items(), _lines(len(signals)), strict=True):
        histogram_plot(reading.modulation, ax=ax, label=label, **line)
    mark_limits(limits, ax=ax)
    name_limits(limits, ax=ax)
    figure.legend(loc="outside upper center", ncols=len(signals))
    return figure


def _verdict(modulation: ModulationReading) -> str:
    peaks = f"-{100.0 * modulation.negative_peak:.1f} %, +{100.0 * modulation.positive_peak:.1f} %"
    if not modulation.cutoffs:
        return f"{peaks}, carrier stays up"
    times = "once" if modulation.cutoffs == 1 else f"{modulation.cutoffs} times"
    return f"{peaks}, carrier off {times}"


def _lines(count: int) -> list[dict[str, str]]:
    """Return colour and line style of each of several signals; the last is the one it is about."""
    others = [
        {"color": INK, "linestyle": "-"},
        {"color": VIOLET, "linestyle": "--"},
        {"color": VERMILION, "linestyle": "-."},
    ]
    return [others[i % len(others)] for i in range(count - 1)] + [{"color": BLUE}]
