"""Drawing a trapezoid pattern as an oscilloscope shows it: numbers in, axes out."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb

from carrierfloor.cli.plots import BLUE, INK, VERMILION, mark_limits, name_limits
from carrierfloor.dsp.rig import Modulation
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.trapezoid import AUDIO_EDGES, ENVELOPE_EDGES, Trapezoid

FAINTEST = 0.3  # opacity where the beam was once
MARGIN = 0.08  # around the pattern
LEFT_MARGIN = 0.3  # room for a word


def pattern_plot(pattern: Trapezoid, limits: Modulation, *, ax: Axes, sides: bool = True) -> Axes:
    """Draw the pattern, denser darker; thin, the straight line through its sides."""
    left, right, top = _reach(pattern, limits)
    ax.imshow(
        _beam(pattern),
        extent=(
            100.0 * AUDIO_EDGES[0], 100.0 * AUDIO_EDGES[-1],
            -ENVELOPE_EDGES[-1], ENVELOPE_EDGES[-1],
        ),
        origin="lower", aspect="auto", interpolation="nearest",
    )  # fmt: skip
    mark_limits(limits, ax=ax)
    for level in (1.0, -1.0):
        ax.axhline(level, color=INK, linewidth=0.6, alpha=0.6)
    if sides:
        _draw_line(pattern, left, right, ax=ax)
    ax.set(
        xlabel="Modulating audio (%)", ylabel="Transmitted signal (carrier = 1)",
        xlim=(100.0 * left, 100.0 * right), ylim=(-top, top),
    )  # fmt: skip
    name_limits(limits, ax=ax)
    return ax


def _beam(pattern: Trapezoid) -> Block:
    """Return an image with both halves, shape (rows, columns, 4)."""
    zero = int(np.argmin(np.abs(ENVELOPE_EDGES)))
    above = pattern.density[:, zero:].T.astype(np.float64)
    above[0] += pattern.density[:, :zero].sum(axis=1)  # noise below zero
    share = above / max(1.0, np.percentile(above[above > 0.0], 99.5)) if above.any() else above
    opacity = np.where(above > 0.0, FAINTEST + (1.0 - FAINTEST) * np.minimum(share, 1.0) ** 0.35, 0)
    thick = np.pad(opacity, ((1, 1), (0, 0)))
    opacity = np.maximum(opacity, np.maximum(thick[:-2], thick[2:]))  # a beam has a width
    both = np.vstack([opacity[::-1], opacity])
    middle = 0.5 * (AUDIO_EDGES[:-1] + AUDIO_EDGES[1:])
    off = pattern.line(middle) < 0.0
    image = np.empty((*both.shape, 4))
    image[..., :3] = np.where(off[:, np.newaxis], to_rgb(VERMILION), to_rgb(BLUE))
    image[..., 3] = both
    return image


def _draw_line(pattern: Trapezoid, left: float, right: float, *, ax: Axes) -> None:
    x = np.linspace(left, right, 200)
    line = pattern.line(x)
    shown = line >= 0.0
    for half in (1.0, -1.0):
        ax.plot(100.0 * x[shown], half * line[shown], color=INK, linewidth=0.9, linestyle=":")


def _reach(pattern: Trapezoid, limits: Modulation) -> tuple[float, float, float]:
    """Return how far the axes go: audio to the left and right, envelope."""
    used = np.flatnonzero(pattern.density.any(axis=1))
    rows = np.flatnonzero(pattern.density.any(axis=0))
    left = min(AUDIO_EDGES[used[0]] - MARGIN, -1.0 - LEFT_MARGIN)
    right = max(limits.positive_limit_pct / 100.0, AUDIO_EDGES[used[-1] + 1]) + MARGIN
    top = max(1.0 + limits.positive_limit_pct / 100.0, ENVELOPE_EDGES[rows[-1] + 1]) + 2.5 * MARGIN
    return float(left), float(right), float(top)
