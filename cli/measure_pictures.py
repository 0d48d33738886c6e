"""Pictures of measured paths, in the style of cli/pictures.py."""

import re
from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure

from carrierfloor.cli.measure_plots import (
    delay_plot,
    difference_plot,
    distortion_plot,
    magnitude_plot,
    phase_plot,
    regrowth_plot,
)
from carrierfloor.cli.measuring import Measured
from carrierfloor.cli.pictures import save, style
from carrierfloor.dsp.curves import curves, difference
from carrierfloor.dsp.rig import Modulation

LONGEST_NAME = 60  # letters of a path's name that fit above a picture


def write_pictures(folder: Path, paths: Sequence[Measured], limits: Modulation) -> tuple[Path, ...]:
    """Draw measured paths.

    Parameters
    ----------
    folder : Path
        Made if it is not there; gets response.png, distortion.png and regrowth.png, with the
        names of the paths if there are several.
    paths : sequence of Measured
        What was measured.
    limits : Modulation
        Of the rig.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    SettingError
        If they cannot be written.
    """
    files = []
    with style():
        for path, mark in zip(paths, _marks(paths), strict=True):
            for name, figure in (
                ("response", response_figure(path)),
                ("distortion", distortion_figure(path)),
                ("regrowth", regrowth_figure(path, limits)),
            ):
                files.append(save(figure, folder / f"{name}{mark}.png"))
    return tuple(files)


def _marks(paths: Sequence[Measured]) -> list[str]:
    """Return what tells the files of several paths apart."""
    if len(paths) == 1:
        return [""]
    words = [re.sub(r"\W+", "-", path.fit.path.name).strip("-") for path in paths]
    return [
        f"-{number}-{word}" if words.count(word) > 1 or not word else f"-{word}"
        for number, word in enumerate(words, 1)
    ]


def _name(path: Measured) -> str:
    """Return its name on one line of a picture."""
    name = " ".join(path.fit.path.name.split())
    name = name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 3]}..."
    return name.replace("$", r"\$")  # which would begin a formula


def response_figure(path: Measured) -> Figure:
    """Draw magnitude, phase and group delay, measured and fitted, and their difference."""
    fit = path.fit
    measured = curves(fit.frequency_hz, fit.measured, fit.noise)
    fitted = curves(fit.frequency_hz, fit.fitted)
    figure = Figure(figsize=(9.0, 9.0), layout="constrained")
    top, second, third, bottom = figure.subplots(4, 1, sharex=True, height_ratios=(3, 3, 3, 2))
    magnitude_plot(measured, fitted, ax=top)
    phase_plot(measured, fitted, ax=second)
    delay_plot(measured, fitted, ax=third)
    difference_plot(difference(fit.frequency_hz, fit.measured, fit.fitted, fit.noise), ax=bottom)
    top.set_title(
        f"{_name(path)}\nworst error {100.0 * fit.worst_error:.2f} % at {fit.worst_error_hz:.0f} Hz"
    )
    bottom.set_xlabel("Frequency (Hz)")
    figure.legend(*top.get_legend_handles_labels(), loc="outside upper right", ncols=3)
    return figure


def distortion_figure(path: Measured) -> Figure:
    """Draw the harmonics."""
    figure = Figure(figsize=(9.0, 4.5), layout="constrained")
    ax = figure.subplots()
    distortion_plot(path.response.harmonics, ax=ax)
    ax.set(title=_name(path), xlabel="Frequency of the fundamental (Hz)")
    figure.legend(loc="outside upper right", ncols=5)
    return figure


def regrowth_figure(path: Measured, limits: Modulation) -> Figure:
    """Draw what a perfectly limited waveform would become on this path without the model."""
    regrown = path.regrowth
    figure = Figure(figsize=(9.0, 4.5), layout="constrained")
    ax = figure.subplots()
    regrowth_plot(regrown, limits, ax=ax)
    ax.set_title(
        f"{_name(path)}, if the limiter did not know it:\n-{regrown.trough_pct:.0f} % "
        f"+{regrown.crest_pct:.0f} %"
    )
    figure.legend(loc="outside upper right", ncols=2)
    return figure
