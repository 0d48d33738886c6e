"""Which parts of a recording to listen to, to hear what cut the carrier off."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.cutoff_finder import CutOff
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

BEFORE_S, AFTER_S = 1.5, 0.3  # of a cut-off: a word or two, and how it ends
LONGEST_S = 8.0  # a clip that has become so long takes no further cut-off
MOST = 20
FADE_S = 0.02
PEAK = 0.7  # of a clip, 1.0 = full scale


@dataclass(frozen=True)
class CutoffClip:
    """A part of a recording in which the carrier was cut off, in seconds."""

    start_s: float
    end_s: float
    cutoffs: tuple[CutOff, ...]

    @property
    def off_s(self) -> float:
        """For how long in all."""
        return sum(cutoff.duration_s for cutoff in self.cutoffs)

    @property
    def worst(self) -> CutOff:
        """The longest cut-off."""
        return max(self.cutoffs, key=lambda cutoff: cutoff.duration_s)


def choose_clips(
    cutoffs: Sequence[CutOff], duration_s: float, most: int = MOST
) -> tuple[CutoffClip, ...]:
    """Return the parts to listen to, in the order of time.

    Cut-offs whose surroundings overlap share a part.  If there are too many, those where the
    carrier was off longest are kept.

    Parameters
    ----------
    cutoffs : sequence of CutOff
        In the order of time.
    duration_s : float
        Of the recording.
    most : int
        How many parts at most.
    """
    clips: list[CutoffClip] = []
    for cutoff in cutoffs:
        start_s = max(0.0, cutoff.start_s - BEFORE_S)
        end_s = min(duration_s, cutoff.start_s + cutoff.duration_s + AFTER_S)
        last = clips[-1] if clips else None
        if last is not None and start_s < last.end_s and end_s - last.start_s <= LONGEST_S:
            clips[-1] = CutoffClip(last.start_s, end_s, (*last.cutoffs, cutoff))
        else:
            clips.append(CutoffClip(start_s, end_s, (cutoff,)))
    worst = sorted(clips, key=lambda clip: -clip.off_s)[:most]
    return tuple(sorted(worst, key=lambda clip: clip.start_s))


def faded(samples: Block, peak: float) -> Block:
    """Return a clip with soft ends, scaled so that ``peak`` becomes 0.7 of full scale."""
    ends = min(round(FADE_S * SAMPLE_RATE_HZ), len(samples) // 2)
    clip = samples * (PEAK / peak if peak > 0.0 else 1.0)
    if ends:
        ramp = np.sin(0.5 * np.pi * (np.arange(ends) + 0.5) / ends) ** 2
        clip[:ends] *= ramp
        clip[len(clip) - ends :] *= ramp[::-1]
    return np.clip(clip, -1.0, 1.0)
