"""Pictures of a checked recording."""

from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from carrierfloor.cli.check_emission import Emission
from carrierfloor.cli.check_measuring import Measured
from carrierfloor.cli.check_plots import (
    highest_shown,
    mask_plot,
    period_plot,
    reach_khz,
    received_moment_plot,
    received_overview_plot,
    rf_spectrum_plot,
    waterfall_plot,
)
from carrierfloor.cli.pictures import save, style
from carrierfloor.cli.plots import BLUE, histogram_plot, mark_limits, name_limits, name_lines
from carrierfloor.dsp.carrier_rows import ROW_S
from carrierfloor.dsp.received_peaks import ReceivedPeaks
from carrierfloor.dsp.rig import Modulation, Rig


def write_pictures(
    folder: Path,
    measured: Measured,
    emission: Emission,
    rig: Rig | None,
    hidden_depth: float | None = None,
) -> tuple[Path, ...]:
    """Draw a recording.

    Parameters
    ----------
    folder : Path
        Made if it is not there; gets envelope.png, histogram.png, spectrum.png, waterfall.png.
    measured : Measured
        Its modulation.
    emission : Emission
        Its spectra.
    rig : Rig or None
        For its limits.
    hidden_depth : float, optional
        How deep a trough may be that a detector does not show, 1.0 = 100 %.

    Raises
    ------
    SettingError
        If they cannot be written.
    """
    limits = rig.modulation if rig is not None else None
    with style():
        figures = {"envelope": envelope_figure(measured, limits, hidden_depth)}
        if measured.reading.modulated_s:
            figures["histogram"] = histogram_figure(measured, limits)
        figures["spectrum"] = spectrum_figure(emission)
        if emission.waterfall is not None and emission.wide is not None:
            figures["waterfall"] = waterfall_figure(emission)
        return tuple(save(figure, folder / f"{name}.png") for name, figure in figures.items())


def envelope_figure(
    measured: Measured, limits: Modulation | None, hidden_depth: float | None = None
) -> Figure:
    """Draw the whole envelope, and its deepest trough or the period of a tone enlarged."""
    figure = Figure(figsize=(9.0, 3.2), layout="constrained")
    whole, near = figure.subplots(1, 2, width_ratios=(1.6, 1.0), sharey=True)
    reading, peaks = measured.reading, measured.peaks
    rows = np.flatnonzero(reading.off_rows & (peaks.cutoffs > 0))
    off_s = np.asarray(ROW_S * (rows + 0.5))
    received_overview_plot(reading.overview, off_s, limits, ax=whole)
    is_modulated = reading.modulated_s > 0.0
    whole.set_title(_words(peaks, hidden_depth) if is_modulated else "Without modulation")
    deepest = max(measured.tones, key=lambda run: run.envelope.wanted_depth, default=None)
    if deepest is not None and peaks.by == "steady tone":
        period_plot(deepest.envelope, limits, ax=near)
        near.set(title=f"{deepest.envelope.frequency_hz:.0f} Hz, averaged", ylabel="")
    else:
        received_moment_plot(reading.worst_moment, limits, ax=near)
        near.set_title(f"Deepest trough, at {reading.modulation.negative_peak_s:.3f} s")
    name_lines(limits, ax=near)
    whole.set_ylim(-0.3, highest_shown(reading.modulation.positive_peak, limits))
    return figure


def histogram_figure(measured: Measured, limits: Modulation | None) -> Figure:
    """Draw how m is spread while something modulates the carrier."""
    figure = Figure(figsize=(9.0, 3.6), layout="constrained")
    ax = figure.subplots()
    histogram_plot(measured.reading.modulation, ax=ax, label="while modulated", color=BLUE)
    mark_limits(limits, ax=ax)
    name_limits(limits, ax=ax)
    ax.set_title("While modulated, noise included")
    return figure


def spectrum_figure(emission: Emission) -> Figure:
    """Draw the spectrum around the carrier with the masks."""
    figure = Figure(figsize=(9.0, 4.5), layout="constrained")
    ax = figure.subplots()
    spectrum = emission.wide or emission.fine
    whole_khz = float(np.abs(spectrum.offset_hz).max()) / 1000.0
    rf_spectrum_plot(spectrum, ax=ax, within_khz=whole_khz if emission.masks else None)
    for number, judged in enumerate(emission.masks):
        mask_plot(
            spectrum,
            judged.mask,
            emission.carrier_power_w,
            emission.sideband_power,
            ax=ax,
            number=number,
        )
    figure.legend(loc="outside upper center", ncols=2 + len(emission.masks))
    return figure


def waterfall_figure(emission: Emission) -> Figure:
    """Draw the spectrum over time: where splatter happens."""
    assert emission.waterfall is not None
    assert emission.wide is not None
    figure = Figure(figsize=(9.0, 5.0), layout="constrained")
    ax = figure.subplots()
    image = waterfall_plot(emission.waterfall, ax=ax, within_khz=reach_khz(emission.wide))
    scale = figure.colorbar(image, ax=ax)
    scale.set_label(f"Highest level in {emission.wide.resolution_hz:.0f} Hz (dBc)")
    return figure


def _words(peaks: ReceivedPeaks, hidden_depth: float | None) -> str:
    words = f"-{100.0 * peaks.negative_peak:.1f} %, +{100.0 * peaks.positive_peak:.1f} %"
    if hidden_depth is not None and not peaks.cutoffs:
        return f"Seen: {words}; troughs may reach {100.0 * hidden_depth:.1f} %"
    if not peaks.cutoffs:
        return f"{words}, carrier {'near zero' if peaks.uncertain else 'stays up'}"
    times = "once" if peaks.cutoffs == 1 else f"{peaks.cutoffs} times"
    return f"{words}, carrier off {times}"
