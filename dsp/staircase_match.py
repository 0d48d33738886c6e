"""Where in a recording a staircase lies: its beginning, its clock, whether all of it is there.

The amplitude of the tone is compared with that of the staircase, both in decibels above the noise,
so that the unknown gain is a constant and steps under the noise do no harm.  Steps of equal size
look the same one step later; only where the tone begins or ends can tell them apart.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.sent_staircase import SentStaircase
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.tone_lines import LOOK, STEP, ToneTrack

HEARD_DB = 12.0  # over the noise
MOST_DB = 20.0  # a look can be off by: one that is all wrong must not decide alone
FINE_S = 0.01  # step of the last search
FINE_WITHIN_S = 0.1  # of the first one, for which a ramp has no length
FITS_DB = 3.0  # mean distance of a staircase that is the one
TELLING = 6.0  # decibels times steps by which the second-best place must be worse
FEW = 5  # looks: a tone within so many of the recording's end goes on there
OTHER = (
    "the tone does not go up and down as in the staircase that was sent; is it another, or is the "
    "kind of the recording wrong?"
)
LONG_S = LOOK / SAMPLE_RATE_HZ


@dataclass(frozen=True, kw_only=True)
class Match:
    """A staircase found in a recording."""

    begins_s: float  # where its first step begins in the recording, or would
    clock_ratio: float  # a second of the sender takes so many of the recording
    distance_db: float  # mean distance between what was sent, amplified, and what was found

    def sent_time(self, time_s: Block) -> Block:
        """Return times of the recording as times of the staircase."""
        return np.asarray((time_s - self.begins_s) / self.clock_ratio)


def match(track: ToneTrack, sent: SentStaircase) -> Match:
    """Find a staircase by the tone's lines.

    Raises
    ------
    AudioError
        If there is no such tone, it is another staircase, or both ends of it are missing.
    """
    amplitude = np.where(track.locked, np.abs(track.lines[:, 1]), 0.0)
    noise = float(np.median(track.noise[track.locked])) if track.locked.any() else 0.0
    floor = max(noise, 1e-5 * float(amplitude.max(initial=0.0)), 1e-9)
    heard = amplitude > 10.0 ** (HEARD_DB / 20.0) * floor
    # One look alone is a click; the tone holds on.
    heard &= np.convolve(heard, np.ones(3), "same") >= 2
    if np.count_nonzero(heard) * STEP < sent.shortest_s * SAMPLE_RATE_HZ / 2:
        raise AudioError(
            f"no tone of {sent.frequency_hz:g} Hz is in it; is the kind of the recording right?"
        )
    ratio = _clock_ratio(track, heard)
    places = _Places(track.times_s, amplitude, heard, floor, sent, ratio)
    rough_s = places.candidates_s()
    distances = np.array([places.distance(at_s) for at_s in rough_s])
    best_s = float(rough_s[np.argmin(distances)])
    others = np.abs(rough_s - best_s) > sent.shortest_s / 2
    rival = float(distances[others].min(initial=math.inf))
    if (rival - distances.min()) * len(sent.steps) < TELLING:
        if not (heard[:FEW].any() and heard[-FEW:].any()):
            raise AudioError(OTHER)
        raise AudioError(
            "the tone is on from beginning to end, so nothing tells which step is which; record "
            "the silence before the staircase or behind it too"
        )
    fine_s = best_s + np.arange(-FINE_WITHIN_S, FINE_WITHIN_S, FINE_S)
    fine = np.array([places.difference(at_s) for at_s in fine_s])
    best_s = float(np.mean(fine_s[fine <= fine.min() * (1.0 + 1e-9)]))
    distance_db = places.distance(best_s)
    if distance_db > FITS_DB:
        raise AudioError(OTHER)
    return Match(begins_s=best_s, clock_ratio=ratio, distance_db=distance_db)


def _clock_ratio(track: ToneTrack, heard: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> float:
    """Return how long the sender's second is, by how fast the tone's phase runs away."""
    tone = track.lines[:, 1]
    pairs = heard[1:] & heard[:-1]
    turn = np.sum((tone[1:] * np.conj(tone[:-1]))[pairs])
    off_hz = float(np.angle(turn)) / (2.0 * math.pi) * SAMPLE_RATE_HZ / STEP
    return track.frequency_hz / (track.frequency_hz + off_hz)


class _Places:
    """Compare the looks with the staircase at one place after another."""

    def __init__(
        self,
        times_s: Block,
        amplitude: Block,
        heard: np.ndarray[tuple[int], np.dtype[np.bool_]],
        floor: float,
        sent: SentStaircase,
        ratio: float,
    ) -> None:
        self._times_s, self._amplitude, self._heard = times_s, amplitude, heard
        self._floor, self._sent, self._ratio = floor, sent, ratio
        self._level_db = self._decibels(amplitude)

    def candidates_s(self) -> Block:
        """Return places where the tone's beginning or end is that of some step."""
        on = np.flatnonzero(self._heard)
        first_s, last_s = self._times_s[on[0]] - LONG_S / 2, self._times_s[on[-1]] + LONG_S / 2
        begins = np.array([step.begins_s for step in self._sent.steps])
        ends = np.array([step.ends_s for step in self._sent.steps])
        both = np.concatenate([first_s - self._ratio * begins, last_s - self._ratio * ends])
        return np.asarray(both)

    def distance(self, begins_s: float) -> float:
        """Return the mean distance in decibels over the staircase's time, as far as recorded."""
        expected = self._expected(begins_s)
        relevant = self._heard | (expected > 0.0)
        off = np.minimum(np.abs(self._decibels(expected) - self._level_db), MOST_DB)
        return float(off[relevant].mean())

    def difference(self, begins_s: float) -> float:
        """Return the sum of all differences of amplitude: the middles of the glides decide it."""
        return float(np.abs(self._expected(begins_s) - self._amplitude).sum())

    def _expected(self, begins_s: float) -> Block:
        """Return the staircase with the gain that it seems to have."""
        sent = self._sent.amplitude_at((self._times_s - begins_s) / self._ratio)
        both = self._heard & (sent > 0.0)
        gain = float(np.median(self._amplitude[both] / sent[both])) if both.any() else 0.0
        return np.asarray(gain * sent)

    def _decibels(self, amplitude: Block) -> Block:
        return np.asarray(10.0 * np.log10(np.square(amplitude) + self._floor**2))
