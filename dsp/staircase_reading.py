"""Reading a staircase in a demodulated recording: carrier, crest and trough of every step.

The looks at one step are turned to the same phase of the tone and averaged, harmonic by harmonic;
what comes out is one period of the envelope, with the noise of seconds averaged away.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.sent_staircase import SentStaircase, SentStep
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.staircase_match import Match
from carrierfloor.dsp.tone_lines import LOOK, ToneTrack

POINTS = 720  # of a period
FEWEST_LOOKS = 2
HALF_LOOK_S = LOOK / 2 / SAMPLE_RATE_HZ
UNSURE_S = 0.02  # of the place of the staircase
SETTLE_PART, SETTLE_MOST_S = 0.1, 0.3  # left out behind a glide, for the transmitter to settle
OVERLAP = 1.9  # looks that overlap by half are worth this much less (Hann window)
# Power of all harmonics over that of the tone: 0.25 in the step that tells the polarity, less for a
# sine that is cut off.
MOST_HARMONICS = 0.7
SURE_LINE = 3.0  # times its error: a harmonic that is one
STRONG = 10.0  # times the noise: then each look shows the phase of the tone by itself


@dataclass(frozen=True, kw_only=True)
class StepPeriod:
    """One period of the envelope in one step."""

    sent: SentStep
    mean: float  # of the envelope
    mean_spread: float  # largest less smallest mean during the step
    harmonics: NDArray[np.complex128]  # from the first on; the first is real and positive
    error: float  # standard error of a point of the period
    looks: int

    @property
    def wave(self) -> Block:
        """The period without its mean, shape (POINTS,), from where the tone itself peaks."""
        turns = np.outer(np.arange(1, len(self.harmonics) + 1), np.arange(POINTS)) / POINTS
        return np.asarray((self.harmonics @ np.exp(2j * np.pi * turns)).real)

    @property
    def turned_over(self) -> "StepPeriod":
        """The same upside down; its own tone peaks half a period later."""
        signs = -((-1.0) ** np.arange(1, len(self.harmonics) + 1))
        return replace(self, mean=-self.mean, harmonics=self.harmonics * signs)

    @property
    def second_in_step(self) -> complex:
        """The second harmonic over the first, its phase against that of the first."""
        if len(self.harmonics) < 2:
            return 0j
        return complex(self.harmonics[1] / abs(self.harmonics[0]))


def read_steps(track: ToneTrack, sent: SentStaircase, match: Match) -> list[StepPeriod]:
    """Return the period of every step that the recording holds.

    Raises
    ------
    AudioError
        If it holds none.
    """
    sent_s = match.sent_time(track.times_s)
    turned = _turned(track, match)
    periods: list[StepPeriod] = []
    for step in sent.steps:
        settle_s = min(SETTLE_PART * (step.ends_s - step.begins_s), SETTLE_MOST_S)
        begin_s = step.begins_s + sent.glide_s + HALF_LOOK_S + UNSURE_S + settle_s
        end_s = step.ends_s - HALF_LOOK_S - UNSURE_S
        inside = (sent_s >= begin_s) & (sent_s <= end_s) & track.locked
        if np.count_nonzero(inside) >= FEWEST_LOOKS:
            periods.append(_period(step, turned[inside], track.noise[inside]))
            _refuse_other_tones(periods[-1], match)
    if not periods:
        raise AudioError("no step of it is long enough to be read; hold each for 0.5 s or more")
    return periods


def _refuse_other_tones(period: StepPeriod, match: Match) -> None:
    power = np.square(np.abs(period.harmonics))
    if power[1:].sum() > MOST_HARMONICS * power[0]:
        at_s = match.begins_s + match.clock_ratio * period.sent.begins_s
        raise AudioError(
            f"the harmonics of the tone in the step at {at_s:.1f} s are as strong as the tone "
            "itself; is the kind of the recording right?"
        )


def unmodulated(track: ToneTrack, sent: SentStaircase, match: Match) -> tuple[Block, Block]:
    """Return times and heights of the carrier outside of the staircase, as far as there is one."""
    sent_s = match.sent_time(track.times_s)
    margin_s = 2.0 * HALF_LOOK_S
    outside = (sent_s < -margin_s) | (sent_s > sent.duration_s + margin_s)
    quiet = outside & track.locked
    return track.times_s[quiet], track.lines[quiet, 0].real


def _turned(track: ToneTrack, match: Match) -> NDArray[np.complex128]:
    """Return the lines with the difference of the two clocks taken out."""
    off_hz = track.frequency_hz / match.clock_ratio - track.frequency_hz
    orders = np.arange(track.lines.shape[1])
    turns = np.outer(track.times_s * off_hz, orders)
    return np.asarray(track.lines * np.exp(-2j * np.pi * turns))


def _period(step: SentStep, lines: NDArray[np.complex128], noise: Block) -> StepPeriod:
    tone = lines[:, 1]
    strong = abs(tone.mean()) > STRONG * float(noise.mean())
    phases = np.angle(tone) if strong else np.full(len(tone), np.angle(tone.mean()))
    orders = np.arange(lines.shape[1])
    upright = lines * np.exp(-1j * np.outer(phases, orders))
    harmonics = upright[:, 1:].mean(axis=0)
    line_error = float(noise.mean()) / math.sqrt(max(1.0, len(lines) / OVERLAP))
    # What may be noise alone is left out: it would raise every crest and deepen every trough.
    kept = np.abs(harmonics) > SURE_LINE * line_error
    kept[0] = True
    harmonics = np.where(kept, harmonics, 0.0)
    # Half of a line's noise turns its phase, and a point of the period sums all harmonics.
    error = line_error * math.sqrt(0.5 * np.count_nonzero(kept))
    means = lines[:, 0].real
    return StepPeriod(
        sent=step,
        mean=float(means.mean()),
        mean_spread=float(np.ptp(means)),
        harmonics=harmonics,
        error=error,
        looks=len(lines),
    )
