"""Drawing a measured path: numbers in, axes out; the caller shows or saves."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from carrierfloor.cli.plots import BLUE, DASHES, INK, VERMILION, VIOLET
from carrierfloor.dsp.curves import Curves, Difference, Floats
from carrierfloor.dsp.regrowth import Regrowth
from carrierfloor.dsp.rig import Modulation
from carrierfloor.dsp.sweep_response import Harmonic

TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000)
SPEECH_HZ = (100.0, 5000.0)  # what the vertical axes are made for
HEADROOM = 0.12  # of what is shown there, above and below
LEAST_DB, LEAST_DEG, LEAST_MS, LEAST_PCT = 1.0, 10.0, 0.2, 0.5  # span of an axis
ORDER_NAMES = {2: "2nd", 3: "3rd", 4: "4th", 5: "5th"}
LOWEST_PCT = 0.003  # of distortion
LEAST_HEARD = 0.1  # of the frequencies, or a harmonic is not drawn
CLEAR = 2.0  # standard deviations of noise, from which a harmonic is one
HARMONIC_LINES = ((BLUE, "-"), (VERMILION, "--"), (VIOLET, "-."), (INK, ":"))


def magnitude_plot(measured: Curves, fitted: Curves, *, ax: Axes) -> Axes:
    """Draw magnitudes over frequency, with the band that noise may have moved them in."""
    return _curve_plot(
        measured.frequency_hz, measured.magnitude_db, measured.magnitude_band_db,
        fitted.magnitude_db, LEAST_DB, "Magnitude (dB)", ax=ax,
    )  # fmt: skip


def phase_plot(measured: Curves, fitted: Curves, *, ax: Axes) -> Axes:
    """Draw phases over frequency."""
    return _curve_plot(
        measured.frequency_hz, measured.phase_deg, measured.phase_band_deg,
        fitted.phase_deg, LEAST_DEG, "Phase (degrees)", ax=ax,
    )  # fmt: skip


def delay_plot(measured: Curves, fitted: Curves, *, ax: Axes) -> Axes:
    """Draw group delays over frequency."""
    return _curve_plot(
        measured.frequency_hz, measured.group_delay_ms, measured.group_delay_band_ms,
        fitted.group_delay_ms, LEAST_MS, "Group delay (ms)", ax=ax,
    )  # fmt: skip


def _curve_plot(
    frequency_hz: Floats,
    measured: Floats,
    band: tuple[Floats, Floats],
    fitted: Floats,
    least_span: float,
    label: str,
    *,
    ax: Axes,
) -> Axes:
    ax.fill_between(frequency_hz, *band, color=BLUE, alpha=0.25, linewidth=0.0, label="noise")
    ax.plot(frequency_hz, measured, color=BLUE, linewidth=2.2, label="measured")
    ax.plot(frequency_hz, fitted, color=VERMILION, linewidth=1.2, linestyle=DASHES, label="fitted")
    speech = (frequency_hz >= SPEECH_HZ[0]) & (frequency_hz <= SPEECH_HZ[1])
    shown = np.concatenate([measured[speech], fitted])
    if len(shown):
        low, high = float(shown.min()), float(shown.max())
        spare = max(HEADROOM * (high - low), (least_span - (high - low)) / 2.0)
        ax.set_ylim(low - spare, high + spare)
    ax.set(ylabel=label)
    return _frequency_axis(frequency_hz, ax=ax)


def difference_plot(difference: Difference, *, ax: Axes) -> Axes:
    """Draw how far the fitted response lies from the measured one, and from what noise explains."""
    frequency_hz = difference.frequency_hz
    ax.fill_between(frequency_hz, 0.0, difference.noise_pct, color=BLUE, alpha=0.25, linewidth=0.0)
    ax.plot(frequency_hz, difference.error_pct, color=INK, linewidth=1.4)
    speech = (frequency_hz >= SPEECH_HZ[0]) & (frequency_hz <= SPEECH_HZ[1])
    highest = max(float(np.max(difference.error_pct[speech], initial=0.0)), LEAST_PCT)
    ax.set(ylabel="Difference (%)", ylim=(0.0, 1.5 * highest))
    return _frequency_axis(frequency_hz, ax=ax)


def distortion_plot(harmonics: Sequence[Harmonic], *, ax: Axes) -> Axes:
    """Draw each harmonic over its fundamental, in %, where it is more than noise."""
    grids = [one.frequency_hz for one in harmonics if len(one.frequency_hz)]
    for one, (colour, line) in zip(harmonics, HARMONIC_LINES, strict=False):
        is_heard = np.abs(one.ratio) > np.maximum(CLEAR * one.noise, LOWEST_PCT / 100.0)
        if len(is_heard) and is_heard.mean() > LEAST_HEARD:
            pct = np.where(is_heard, 100.0 * np.abs(one.ratio), np.nan)
            name = f"{ORDER_NAMES[one.order]} harmonic"
            ax.plot(one.frequency_hz, pct, line, color=colour, linewidth=1.6, label=name)
    loudest = max(harmonics, key=lambda one: float(np.max(one.noise, initial=0.0)), default=None)
    if loudest is not None:
        noise_pct = 100.0 * np.maximum(loudest.noise, LOWEST_PCT / 100.0)
        ax.fill_between(
            loudest.frequency_hz, LOWEST_PCT, noise_pct, color=INK, alpha=0.18, linewidth=0.0,
            label="noise",
        )  # fmt: skip
    ax.set(ylabel="Harmonic (% of the fundamental)", yscale="log")
    ax.set_ylim(LOWEST_PCT, max(20.0, ax.get_ylim()[1]))
    ax.yaxis.set_major_formatter(lambda pct, _: f"{pct:g}")
    ax.minorticks_off()
    return _frequency_axis(np.concatenate(grids) if grids else np.array(SPEECH_HZ), ax=ax)


def _frequency_axis(frequency_hz: Floats, *, ax: Axes) -> Axes:
    low, high = float(np.min(frequency_hz)), float(np.max(frequency_hz))
    ax.set(xscale="log", xlim=(low, high))
    ticks = [hz for hz in TICKS_HZ if 0.99 * low <= hz <= 1.01 * high]
    ax.set_xticks(ticks, [f"{hz / 1000:g} k" if hz >= 1000 else f"{hz}" for hz in ticks])
    ax.minorticks_off()
    ax.grid(color=INK, alpha=0.25, linewidth=0.6)
    return ax


def regrowth_plot(regrown: Regrowth, limits: Modulation, *, ax: Axes) -> Axes:
    """Draw a perfectly limited waveform and what the path makes of it."""
    time_ms = 1000.0 * regrown.time_s
    antenna, limited = 100.0 * regrown.antenna, 100.0 * regrown.limited
    ax.fill_between(time_ms, antenna, -100.0, where=antenna < -100.0, color=VERMILION, alpha=0.35)
    ax.plot(time_ms, limited, color=INK, linewidth=1.2, linestyle=DASHES, label="before the path")
    ax.plot(time_ms, antenna, color=BLUE, linewidth=1.6, label="at the antenna")
    for pct in (-limits.negative_limit_pct, limits.positive_limit_pct):
        ax.axhline(pct, color=INK, linewidth=0.8)
    ax.axhline(-100.0, color=VERMILION, linewidth=1.0)
    for pct, name, colour in (
        (limits.positive_limit_pct, f"+{limits.positive_limit_pct:g} %", INK),
        (-limits.negative_limit_pct, f"-{limits.negative_limit_pct:g} %", INK),
        (-100.0, "cut-off", VERMILION),
    ):
        ax.annotate(
            name, (1.01, pct), xycoords=ax.get_yaxis_transform(), fontsize=9.0, color=colour,
            va="top" if colour == VERMILION else "bottom",
        )  # fmt: skip
    ax.set(xlabel="Time (ms)", ylabel="Modulation (%)", xlim=(time_ms[0], time_ms[-1]))
    return ax
