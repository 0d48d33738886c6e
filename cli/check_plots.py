"""Drawing what a recording shows: numbers in, axes out; the caller shows or saves."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.image import AxesImage

from carrierfloor.cli.plots import BLUE, INK, LONG_S, VERMILION, VIOLET, envelope_lines
from carrierfloor.dsp.mask import Mask
from carrierfloor.dsp.mask_verdict import limit_dbc
from carrierfloor.dsp.overview import Overview, WorstMoment
from carrierfloor.dsp.rf_spectrum import RfSpectrum
from carrierfloor.dsp.rig import Modulation
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.tone_envelope import POINTS, ToneEnvelope
from carrierfloor.dsp.waterfall import Waterfall

LOWEST_DBC, HIGHEST_DBC = -100.0, 5.0
NARROWEST_KHZ = 10.0  # on each side; wider where there is something to see


def received_overview_plot(
    overview: Overview, off_s: Block, limits: Modulation | None, *, ax: Axes
) -> Axes:
    """Draw the envelope of a whole recording, with ticks at these times of cut-offs."""
    long = len(overview.time_s) > 0 and overview.time_s[-1] > LONG_S
    scale = 60.0 if long else 1.0
    time = overview.time_s / scale
    low, high = (np.maximum(0.0, 1.0 + m) for m in (overview.lowest, overview.highest))
    ax.fill_between(time, low, high, color=BLUE, linewidth=0.3)
    ax.plot(off_s / scale, np.full(len(off_s), -0.12), "|", color=VERMILION, markersize=7.0)
    ax.set(xlabel=f"Time ({'min' if long else 's'})", ylabel="Envelope (carrier = 1)")
    ax.set_xlim(0.0, float(time[-1]) if len(time) else 1.0)
    return envelope_lines(limits, ax=ax)


def received_moment_plot(moment: WorstMoment, limits: Modulation | None, *, ax: Axes) -> Axes:
    """Draw the envelope around one moment as it was read, noise and ringing included."""
    time_ms = 1000.0 * (moment.time_s - moment.time_s[len(moment.time_s) // 2])
    ax.plot(time_ms, 1.0 + moment.modulation, color=BLUE, linewidth=1.2)
    ax.set(xlabel="Time from there (ms)", ylabel="")
    ax.set_xlim(float(time_ms[0]), float(time_ms[-1]))
    return envelope_lines(limits, ax=ax)


def period_plot(tone: ToneEnvelope, limits: Modulation | None, *, ax: Axes) -> Axes:
    """Draw two periods of a steady tone, averaged."""
    two = np.concatenate([tone.envelope, tone.envelope])
    time_ms = (np.arange(len(two)) / POINTS - 1.0) * 1000.0 / tone.frequency_hz
    ax.plot(time_ms, two, color=BLUE, linewidth=1.4)
    ax.set(xlabel="Time (ms)", ylabel="Envelope (carrier = 1)")
    ax.set_xlim(float(time_ms[0]), float(time_ms[-1]))
    return envelope_lines(limits, ax=ax)


def rf_spectrum_plot(spectrum: RfSpectrum, *, ax: Axes, within_khz: float | None = None) -> Axes:
    """Draw the mean of a spectrum and, thin, its highest levels."""
    khz = spectrum.offset_hz / 1000.0
    for level, width, alpha, name in (
        (spectrum.peak_dbc, 0.6, 0.6, f"highest of any {_window_ms(spectrum):.0f} ms"),
        (spectrum.mean_dbc, 1.2, 1.0, "mean"),
    ):
        shown = np.where(spectrum.usable, level, np.nan)
        ax.plot(khz, shown, color=BLUE, linewidth=width, alpha=alpha, label=name)
    reach = within_khz or reach_khz(spectrum)
    ax.set(
        xlabel="Offset from the carrier (kHz)",
        ylabel=f"Level in {spectrum.resolution_hz:.0f} Hz (dBc)",
        xlim=(max(-reach, float(khz[0])), min(reach, float(khz[-1]))),
        ylim=(_lowest_dbc(spectrum), HIGHEST_DBC),
    )
    ax.grid(color=INK, alpha=0.25, linewidth=0.6)
    return ax


def mask_plot(
    spectrum: RfSpectrum,
    mask: Mask,
    carrier_power_w: float | None,
    sideband_power: float,
    *,
    ax: Axes,
    number: int,
) -> Axes:
    """Draw the limits of a mask over a spectrum."""
    limit = limit_dbc(spectrum, mask, carrier_power_w, sideband_power or None)
    color, line = ((VERMILION, "-"), (VIOLET, "--"))[number % 2]
    ax.plot(spectrum.offset_hz / 1000.0, limit, line, color=color, linewidth=1.4, label=mask.name)
    return ax


def waterfall_plot(waterfall: Waterfall, *, ax: Axes, within_khz: float) -> AxesImage:
    """Draw the spectrum over time, time downward; return the image for its scale."""
    khz = waterfall.offset_hz / 1000.0
    shown = np.abs(khz) <= within_khz
    half = 0.5 * (khz[1] - khz[0])
    level = waterfall.peak_dbc[:, shown]
    long = waterfall.begins_s + waterfall.duration_s > LONG_S
    unit_s = 60.0 if long else 1.0
    begin = waterfall.begins_s / unit_s
    end = begin + waterfall.duration_s / unit_s
    image = ax.imshow(
        level,
        aspect="auto",
        interpolation="nearest",
        extent=(float(khz[shown][0]) - half, float(khz[shown][-1]) + half, end, begin),
        vmin=max(LOWEST_DBC, float(np.percentile(level, 5.0))),
        vmax=0.0,
        cmap="viridis",
    )
    ax.set(xlabel="Offset from the carrier (kHz)", ylabel=f"Time ({'min' if long else 's'})")
    return image


def reach_khz(spectrum: RfSpectrum) -> float:
    """Return how far from the carrier there is something to see."""
    ends = max(-float(spectrum.offset_hz[0]), float(spectrum.offset_hz[-1])) / 1000.0
    noise_dbc = float(np.percentile(spectrum.peak_dbc, 50.0))
    seen = np.abs(spectrum.offset_hz[spectrum.peak_dbc > max(noise_dbc + 10.0, LOWEST_DBC)])
    wanted = 1.5 * float(seen.max(initial=0.0)) / 1000.0
    return min(ends, max(NARROWEST_KHZ, wanted))


def _lowest_dbc(spectrum: RfSpectrum) -> float:
    """Return a lower end of the scale, a little under what is there."""
    low = float(np.percentile(spectrum.mean_dbc, 2.0)) - 8.0
    return float(np.clip(10.0 * np.floor(low / 10.0), -140.0, -60.0))


def _window_ms(spectrum: RfSpectrum) -> float:
    return 1000.0 / spectrum.bin_hz


def highest_shown(positive_peak: float, limits: Modulation | None) -> float:
    """Return the upper end of an envelope's scale."""
    limit = 1.0 if limits is None else limits.positive_limit_pct / 100.0
    return 1.08 + max(positive_peak, limit)
