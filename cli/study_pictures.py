"""Pictures of a study, in the style of cli/pictures.py."""

from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from carrierfloor.cli.pictures import save, style
from carrierfloor.cli.plot_labels import Label, place_labels
from carrierfloor.cli.study_columns import GAINS
from carrierfloor.cli.study_figures import Rows, figures_of
from carrierfloor.cli.study_plots import (
    Settings,
    gain_plot,
    intelligibility_plot,
    price_plot,
    short,
)

AT_50, AT_70 = GAINS
TITLES = {AT_50: "at a score of 0.5", AT_70: "at a score of 0.7"}


def write_pictures(folder: Path, rows: Rows) -> tuple[Path, ...]:
    """Draw the rows of a study.

    Parameters
    ----------
    folder : Path
        Made if it is not there; gets intelligibility.png, gain.png and price.png.
    rows : sequence of mapping
        As in the table.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    SettingError
        If they cannot be written.
    """
    settings = figures_of(rows)
    with style():
        figures = {
            "intelligibility": intelligibility_figure(settings),
            "gain": gain_figure(settings),
            "price": price_figure(settings),
        }
        return tuple(save(figure, folder / f"{name}.png") for name, figure in figures.items())


def intelligibility_figure(settings: Settings) -> Figure:
    """Draw scores over noise, a panel for each voice and rig."""
    voices = list(dict.fromkeys(one.voice for one in settings if one.is_processed))
    rigs = list(dict.fromkeys(one.rig for one in settings))
    figure = Figure(figsize=(0.8 + 4.2 * len(voices), 0.4 + 3.4 * len(rigs)), layout="constrained")
    panels = figure.subplots(len(rigs), len(voices), squeeze=False, sharex=True, sharey=True)
    for rig, row in zip(rigs, panels, strict=True):
        here = [one for one in settings if one.rig == rig]
        for voice, ax in zip(voices, row, strict=True):
            ours = [one for one in here if one.voice == voice]
            ours.sort(key=lambda one: one.drive_db or 0.0)
            intelligibility_plot(ours, [one for one in here if not one.is_processed], ax=ax)
            ax.set_title(f"{short(voice)}, {short(rig)}")
    _outer_labels(panels)
    return figure


def gain_figure(settings: Settings) -> Figure:
    """Draw what the drive gains, a row for each rig."""
    rigs = list(dict.fromkeys(one.rig for one in settings))
    figure = Figure(figsize=(9.0, 0.8 + 3.4 * len(rigs)), layout="constrained")
    panels = figure.subplots(len(rigs), len(GAINS), squeeze=False, sharex=True, sharey=True)
    for rig, row in zip(rigs, panels, strict=True):
        ours = [one for one in settings if one.rig == rig and one.is_processed]
        for column, ax in zip(GAINS, row, strict=True):
            gain_plot(ours, column, ax=ax)
            ax.set_title(f"{TITLES[column]}, {short(rig)}")
    _outer_labels(panels)
    _legend(figure, panels)
    return figure


def price_figure(settings: Settings) -> Figure:
    """Draw gain over what it costs in the sound and on the neighbours' channels."""
    rigs = list(dict.fromkeys(one.rig for one in settings))
    figure = Figure(figsize=(9.0, 0.8 + 3.4 * len(rigs)), layout="constrained")
    panels = figure.subplots(len(rigs), 2, squeeze=False, sharex="col", sharey=True)
    labels: dict[Axes, list[Label]] = {}
    for rig, (sound, emission) in zip(rigs, panels, strict=True):
        ours = [one for one in settings if one.rig == rig and one.is_processed]
        labels[sound] = price_plot(ours, AT_50, lambda one: one.score_without_noise.mean, ax=sound)
        labels[emission] = price_plot(ours, AT_50, lambda one: one.emission_dbc, ax=emission)
        sound.set(xlabel="ESTOI without noise, mean", title=f"{TITLES[AT_50]}, {short(rig)}")
        emission.set(xlabel="Emission beyond 5 kHz, highest (dBc)")
        if labels[emission]:
            emission.set_title("numbers beside points: drive (dB)")
    panels[0, 0].xaxis.set_inverted(True)  # dearer to the right, as beside it
    _outer_labels(panels)
    _legend(figure, panels)
    figure.draw_without_rendering()  # the layout is final from here on
    for ax, here in labels.items():
        place_labels(here, ax=ax)
    return figure


def _outer_labels(panels: Any) -> None:
    for ax in panels.flat:
        ax.label_outer()


def _legend(figure: Figure, panels: Any) -> None:
    handles, labels = panels[0, 0].get_legend_handles_labels()
    if handles:
        figure.legend(handles, labels, loc="outside upper right", ncols=4)
