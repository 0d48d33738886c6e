"""Drawing what the antenna sees: numbers in, axes out; the caller shows or saves.

All colours lie in the middle between black and white, for light and for dark pages; no meaning
hangs on colour alone.
"""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_rgba

from carrierfloor.dsp.emission import Emission
from carrierfloor.dsp.modulation import HISTOGRAM_M, ModulationReading
from carrierfloor.dsp.overview import Overview, WorstMoment
from carrierfloor.dsp.rig import Modulation
from carrierfloor.dsp.stage import Block

INK = "#747b85"  # text and frames: contrast 4.3 to 1 against white and against near-black
BLUE, VERMILION, VIOLET = "#1c7fc4", "#d9480f", "#a06cc7"
LONG_S = 600.0  # from here on time is counted in minutes
DASHES = (0, (4, 3))
SPECTRUM_KHZ, SPECTRUM_LOWEST_DBC = 20.0, -140.0


def overview_plot(overview: Overview, limits: Modulation, *, ax: Axes) -> Axes:
    """Draw the envelope of a whole recording, with a tick under every cut-off."""
    long = len(overview.time_s) > 0 and overview.time_s[-1] > LONG_S
    time = overview.time_s / (60.0 if long else 1.0)
    low = np.maximum(0.0, 1.0 + overview.lowest)
    ax.fill_between(time, low, 1.0 + overview.highest, color=BLUE, linewidth=0.3)
    off = time[overview.lowest <= -1.0]
    ax.plot(off, np.full(len(off), -0.12), "|", color=VERMILION, markersize=7.0)
    ax.set(xlabel=f"Time ({'min' if long else 's'})", ylabel="Envelope (carrier = 1)")
    ax.set_xlim(_ends(time))
    return envelope_lines(limits, ax=ax)


def moment_plot(moment: WorstMoment, limits: Modulation, *, ax: Axes) -> Axes:
    """Draw the envelope around one moment; dotted, where the audio asks for less than nothing."""
    time_ms = 1000.0 * (moment.time_s - moment.time_s[len(moment.time_s) // 2])
    wanted = 1.0 + moment.modulation
    ax.plot(time_ms, np.maximum(0.0, wanted), color=BLUE, linewidth=1.4)
    ax.plot(time_ms, np.where(wanted < 0.0, wanted, np.nan), ":", color=VERMILION, linewidth=1.4)
    ax.fill_between(time_ms, wanted, 0.0, where=wanted < 0.0, color=VERMILION, alpha=0.35)
    ax.set(xlabel="Time from there (ms)", ylabel="Envelope (carrier = 1)")
    ax.set_xlim(_ends(time_ms))
    return envelope_lines(limits, ax=ax)


def trapezoid_plot(modulation: ModulationReading, limits: Modulation, *, ax: Axes) -> Axes:
    """Draw envelope against modulating audio, as an oscilloscope shows it; denser is darker.

    A carrier that is cut off draws the tail to the left of the trapezoid's tip.
    """
    used = np.flatnonzero(modulation.histogram)
    if len(used):
        reached = slice(used[0], used[-1] + 1)
        left, right = HISTOGRAM_M[:-1][reached], HISTOGRAM_M[1:][reached]
        part = modulation.histogram[reached] / modulation.histogram.max()
        x = 100.0 * np.stack([left, left, right, right], axis=1)
        up, down = (np.maximum(0.0, 1.0 + m) + 0.015 for m in (left, right))
        y = np.stack([-up, up, down, -down], axis=1)
        colours = [
            to_rgba(BLUE, 0.3 + 0.7 * share**0.25) if m >= -1.0 else to_rgba(VERMILION)
            for m, share in zip(left, part, strict=True)
        ]
        ax.add_collection(PolyCollection(list(np.stack([x, y], axis=2)), facecolors=colours))
    mark_limits(limits, ax=ax)
    ax.set(xlabel="Modulating audio (%)", ylabel="Envelope, both halves (carrier = 1)")
    ax.autoscale_view()
    return ax


def spectrum_plot(
    emission: Emission, *, ax: Axes, label: str, color: str, linestyle: str = "-"
) -> Axes:
    """Draw the spectrum around the carrier: the mean and, thin, the worst 85 ms."""
    shown = emission.offset_hz <= 1000.0 * SPECTRUM_KHZ
    khz = emission.offset_hz[shown] / 1000.0
    both_khz = np.concatenate([-khz[::-1], khz])
    for power, width, alpha, name in (
        (emission.power, 1.2, 1.0, f"{label}, mean"),
        (emission.worst_power, 0.5, 0.5, f"{label}, worst 85 ms"),
    ):
        dbc = 10.0 * np.log10(np.maximum(power[shown], 1e-20))
        both = np.concatenate([dbc[::-1], dbc])
        ax.plot(both_khz, both, linestyle, color=color, linewidth=width, alpha=alpha, label=name)
    bin_hz = emission.offset_hz[1]
    ax.set(
        xlabel="Offset from the carrier (kHz)",
        ylabel=f"Power in {bin_hz:.1f} Hz (dBc)",
        xlim=(-SPECTRUM_KHZ, SPECTRUM_KHZ),
        ylim=(SPECTRUM_LOWEST_DBC, 5.0),
    )
    ax.grid(color=INK, alpha=0.25, linewidth=0.6)
    return ax


def histogram_plot(
    modulation: ModulationReading, *, ax: Axes, label: str, color: str, linestyle: str = "-"
) -> Axes:
    """Draw which part of the time m spends in each 1 %."""
    share_pct = 100.0 * modulation.histogram / max(1, modulation.histogram.sum())
    ax.stairs(
        share_pct, 100.0 * HISTOGRAM_M, color=color, linestyle=linestyle, linewidth=1.4, label=label
    )
    used = np.flatnonzero(modulation.histogram)
    low, high = (HISTOGRAM_M[used[0]], HISTOGRAM_M[used[-1] + 1]) if len(used) else (0.0, 0.0)
    left, right = ax.get_xlim() if len(ax.patches) > 1 else (-125.0, 110.0)  # room for a word
    ax.set_xlim(min(left, 100.0 * low - 10.0), max(right, 100.0 * high + 10.0))
    ax.set(xlabel="Modulation (%)", ylabel="Time spent in each 1 % (% of all)", yscale="log")
    ax.yaxis.set_major_formatter(lambda pct, _: f"{pct:g}")
    return ax


def envelope_lines(limits: Modulation | None, *, ax: Axes) -> Axes:
    """Draw carrier, cut-off and the limits, if there are any, across an envelope."""
    ax.axhline(1.0, color=INK, linewidth=0.8)
    if limits is not None:
        down, up = limits.negative_limit_pct / 100.0, limits.positive_limit_pct / 100.0
        for level in (1.0 - down, 1.0 + up):
            ax.axhline(level, color=INK, linewidth=0.8, linestyle=DASHES)
    ax.axhline(0.0, color=VERMILION, linewidth=1.0)
    return ax


def name_lines(limits: Modulation | None, *, ax: Axes) -> None:
    """Say at the right edge what the lines across an envelope are."""
    names: list[tuple[float, str, str]] = [(1.0, "carrier", "center"), (0.0, "cut-off", "top")]
    if limits is not None:
        down, up = limits.negative_limit_pct, limits.positive_limit_pct
        names += [
            (1.0 - down / 100.0, f"-{down:g} %", "bottom"),
            (1.0 + up / 100.0, f"+{up:g} %", "center"),
        ]
    for level, name, side in names:
        ax.annotate(
            name, (1.02, level), xycoords=ax.get_yaxis_transform(), va=side, fontsize=9.0,
            color=VERMILION if level == 0.0 else INK,
        )  # fmt: skip


def mark_limits(limits: Modulation | None, *, ax: Axes) -> Axes:
    """Draw cut-off and the limits, if there are any, across a modulation axis."""
    if limits is not None:
        for pct in (-limits.negative_limit_pct, limits.positive_limit_pct):
            ax.axvline(pct, color=INK, linewidth=0.8, linestyle=DASHES)
    ax.axvline(-100.0, color=VERMILION, linewidth=1.0)
    return ax


def name_limits(limits: Modulation | None, *, ax: Axes) -> None:
    """Say at the upper edge what the lines across a modulation axis are."""
    names = [(-100.0, "cut-off ", VERMILION, "right")]
    if limits is not None:
        down, up = limits.negative_limit_pct, limits.positive_limit_pct
        names += [(-down, f" -{down:g} %", INK, "left"), (up, f"+{up:g} % ", INK, "right")]
        ax.set_xlim(right=max(ax.get_xlim()[1], up + 10.0))  # a name beyond the axis says nothing
    for pct, name, colour, side in names:
        ax.annotate(
            name, (pct, 0.985), xycoords=ax.get_xaxis_transform(), ha=side, va="top",
            fontsize=8.5, color=colour,
        )  # fmt: skip


def _ends(values: Block) -> tuple[float, float]:
    return (float(values[0]), float(values[-1])) if len(values) > 1 else (0.0, 1.0)
