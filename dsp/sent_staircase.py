"""The staircase that was sent: which level was held when, and which step tells the polarity.

The step that tells the polarity is made of two tones, f and half as strong 2 f, locked so that the
positive peaks of its samples are twice as high as the negative ones.
"""

from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.signals import UNEVEN_FUNDAMENTAL
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.tone_lines import LOOK, ToneTrack

# Looks at one step of a file differ by less; a glide between two steps differs by more.
SAME_DB = 0.02
FEWEST_LOOKS = 3
QUIETEST = 1e-3  # of the highest step, for a step to count
HALF_LOOK_S = LOOK / 2 / SAMPLE_RATE_HZ
ONE_TONE = 0.1  # harmonics under this share of the tone: a sine


@dataclass(frozen=True, kw_only=True)
class SentStep:
    """One step; times from the beginning of the staircase."""

    begins_s: float
    ends_s: float
    level_dbfs: float  # of its peak
    is_uneven: bool = False  # two tones, to tell the polarity; otherwise a sine

    @property
    def peak(self) -> float:
        """The highest sample, 1.0 = full scale."""
        return float(10.0 ** (self.level_dbfs / 20.0))

    @property
    def fundamental(self) -> float:
        """The amplitude of the tone."""
        return self.peak * (UNEVEN_FUNDAMENTAL if self.is_uneven else 1.0)


@dataclass(frozen=True, kw_only=True)
class SentStaircase:
    """A staircase as the sound card got it."""

    frequency_hz: float
    glide_s: float  # a step begins with so long a glide from the level before
    steps: tuple[SentStep, ...]

    @property
    def duration_s(self) -> float:
        """Length of all steps."""
        return self.steps[-1].ends_s

    @property
    def shortest_s(self) -> float:
        """The shortest step."""
        return min(step.ends_s - step.begins_s for step in self.steps)

    def amplitude_at(self, time_s: Block) -> Block:
        """Return the amplitude of the tone at times from its beginning; 0 outside.

        A glide counts as a jump in its middle.
        """
        edges = np.array([*(step.begins_s for step in self.steps), self.duration_s])
        edges += self.glide_s / 2.0
        amplitudes = np.array([0.0, *(step.fundamental for step in self.steps), 0.0])
        return np.asarray(amplitudes[np.searchsorted(edges, time_s, side="right")])


def staircase_from_track(track: ToneTrack) -> SentStaircase:
    """Find the steps in the file that was played, given the lines of its tone.

    Raises
    ------
    AudioError
        If there is no step, or one is neither a sine nor the two tones that tell the polarity.
    """
    amplitude = np.abs(track.lines[:, 1])
    heard = amplitude > QUIETEST * amplitude.max(initial=1e-9)
    level_db = 20.0 * np.log10(np.maximum(amplitude, 1e-12))
    same = heard[1:] & heard[:-1] & (np.abs(np.diff(level_db)) < SAME_DB)
    runs = [(first, last) for first, last in _runs(same) if last - first >= FEWEST_LOOKS]
    if not runs:
        raise AudioError("no step of a steady tone is in it")
    times_s = track.times_s
    begin_s = float(times_s[runs[0][0]]) - HALF_LOOK_S
    steps, at_s, glide_s = [], 0.0, HALF_LOOK_S
    for first, last in runs:
        held_s, ends_s = (float(times_s[at]) - begin_s for at in (first, last))
        glide_s = max(glide_s, held_s - HALF_LOOK_S - at_s)
        ends_s += HALF_LOOK_S
        steps.append(_step(track.lines[first : last + 1], at_s, ends_s))
        at_s = ends_s
    return SentStaircase(frequency_hz=track.frequency_hz, glide_s=glide_s, steps=tuple(steps))


def _runs(same: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> list[tuple[int, int]]:
    """Return first and last look of every run of equal looks."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    return [(int(first), int(last)) for first, last in edges.reshape(-1, 2)]


def _step(
    lines: np.ndarray[tuple[int, int], np.dtype[np.complex128]], begins_s: float, ends_s: float
) -> SentStep:
    first = np.abs(lines[:, 1]).mean()
    # Twice the phase of f is taken from that of 2 f: what is left is their lock.
    second = float(np.mean(lines[:, 2] * np.conj(lines[:, 1]) ** 2).real / first**3)
    is_uneven = abs(second - 0.5) < ONE_TONE
    if not is_uneven and abs(second) > ONE_TONE:
        raise AudioError(f"the step at {begins_s:.1f} s is no sine; give what tone staircase wrote")
    peak = first / UNEVEN_FUNDAMENTAL if is_uneven else first
    return SentStep(
        begins_s=begins_s, ends_s=ends_s, level_dbfs=decibels(peak), is_uneven=is_uneven
    )
