"""Drawing what cut the carrier off: numbers in, axes out."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from carrierfloor.cli.plots import BLUE, VERMILION, VIOLET, envelope_lines, name_lines
from carrierfloor.dsp.cutoff_finder import CutOff
from carrierfloor.dsp.rig import Modulation
from carrierfloor.dsp.stage import Block

FEW = 10  # cut-offs: more lines across would hide the audio


def audio_plot(time_s: Block, audio: Block, cutoffs: Sequence[CutOff], *, ax: Axes) -> Axes:
    """Draw the audio of a clip, with a mark under it at each cut-off."""
    ax.plot(time_s, audio, color=VIOLET, linewidth=0.5)
    off = [cutoff.start_s for cutoff in cutoffs]
    if len(off) <= FEW:
        for at in off:
            ax.axvline(at, color=VERMILION, linewidth=0.8)
    ax.plot(off, np.full(len(off), -1.15), "|", color=VERMILION, markersize=9.0)
    ax.set(xlabel="Time in the recording (s)", ylabel="Audio (largest = 1)", ylim=(-1.3, 1.1))
    ax.set_xlim(float(time_s[0]), float(time_s[-1]))
    return ax


def envelope_plot(
    time_ms: Block, audio: Block, modulation: Block, limits: Modulation, *, ax: Axes
) -> Axes:
    """Draw the envelope around one cut-off, and the audio over it."""
    envelope = np.maximum(0.0, 1.0 + modulation)
    ax.fill_between(time_ms, 0.0, envelope, color=BLUE, alpha=0.25, linewidth=0.0)
    ax.plot(time_ms, envelope, color=BLUE, linewidth=1.4, label="envelope")
    reach = max(float(np.abs(modulation).max(initial=0.0)), 1e-9)
    scale = reach / max(float(np.abs(audio).max(initial=0.0)), 1e-9)
    ax.plot(time_ms, 1.0 + scale * audio, ":", color=VIOLET, linewidth=1.3, label="audio, scaled")
    envelope_lines(limits, ax=ax)
    top = max(1.0 + limits.positive_limit_pct / 100.0, 1.0 + reach)
    ax.set(xlabel="Time from there (ms)", ylabel="Envelope (carrier = 1)", ylim=(-0.45, top + 0.15))
    ax.set_xlim(float(time_ms[0]), float(time_ms[-1]))
    ax.legend(loc="upper left", ncols=2)
    name_lines(limits, ax=ax)
    return ax
