"""Active speech level: how strong speech is while somebody speaks, ITU-T P.56 method B.

The pauses of a recording say nothing about its loudness; P.56 leaves them out.  An envelope
(rectifier and two equal poles) is held against a ladder of thresholds; for each, the time spent
above it, a hangover included, is counted.  The level is taken at the threshold that lies a fixed
margin below it.

Formula source: ITU-T Recommendation P.56 (12/2011), "Objective measurement of active speech
level", method B; also ITU-T G.191 (software tool library), speech voltmeter.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

Counts = NDArray[np.int64]

TIME_CONSTANT_S = 0.03  # P.56: T, of each of the two poles
HANGOVER_S = 0.2  # P.56: H
MARGIN_DB = 15.9  # P.56: M, from the threshold up to the active level
# P.56 uses fifteen thresholds, 6 dB apart, below 16-bit full scale.  Here 1.0 is 100 % modulation,
# which a signal may pass, so they go from -96 to +18 dB; and they are 1.5 dB apart, because in a
# recording with one near and one far voice 6 dB leave half a decibel to where the steps fall.
THRESHOLDS = 2.0 ** (np.arange(-64, 13) / 4.0)
NEVER = -1

# Rows of the count; a column is one threshold.
ACTIVE, STARTED, ENDED = 0, 1, 2  # samples; since when above; since when below, or NEVER
ROWS = 3
# Slots of the sums: the envelope's two poles, the energy of all samples.
FIRST, SECOND, ENERGY = 0, 1, 2
SLOTS = 3


@dataclass(frozen=True)
class ActiveSpeech:
    """What the meter found."""

    active_rms: float  # rms of the signal while active, 1.0 = 100 % modulation
    rms: float  # rms over all the time
    activity: float  # share of the time that is active, 0 to 1

    @property
    def active_db(self) -> float:
        """The active level in dB, 0 dB = rms 1.0; minus infinity without speech."""
        return 20.0 * math.log10(self.active_rms) if self.active_rms > 0.0 else -math.inf


class ActiveSpeechMeter:
    """Measure the active speech level of a stream, in constant memory.

    Parameters
    ----------
    sample_rate_hz : float
        Of the blocks fed.
    """

    def __init__(self, sample_rate_hz: float = SAMPLE_RATE_HZ) -> None:
        self._pole = math.exp(-1.0 / (sample_rate_hz * TIME_CONSTANT_S))
        self._hangover = math.ceil(HANGOVER_S * sample_rate_hz)
        self.reset()

    def reset(self) -> None:
        """Forget all past input."""
        self._sums = np.zeros(SLOTS)
        self._progress = np.zeros(2, dtype=np.int64)  # samples so far, thresholds passed now
        self._count = np.zeros((ROWS, len(THRESHOLDS)), dtype=np.int64)
        self._count[ENDED] = NEVER

    def feed(self, block: Block) -> None:
        """Take the next samples of the stream, shape (n,)."""
        block = np.ascontiguousarray(block, dtype=np.float64)
        _follow(block, self._pole, self._hangover, self._sums, self._progress, self._count)

    def read(self) -> ActiveSpeech:
        """Return level and activity of all that was fed."""
        samples = int(self._progress[0])
        mean_square = self._sums[ENERGY] / samples if samples else 0.0
        level_db = self._level_db()
        if level_db is None:
            return ActiveSpeech(0.0, math.sqrt(mean_square), 0.0)
        activity = min(1.0, float(mean_square) / 10.0 ** (level_db / 10.0))
        return ActiveSpeech(10.0 ** (level_db / 20.0), math.sqrt(mean_square), activity)

    def _level_db(self) -> float | None:
        """Interpolate, in dB, to the threshold that lies MARGIN_DB below its own level."""
        active = self._active_samples()
        counted = active > 0
        if not counted.any() or self._sums[ENERGY] <= 0.0:
            return None
        level_db = 10.0 * np.log10(self._sums[ENERGY] / active[counted])
        above_db = level_db - 20.0 * np.log10(THRESHOLDS[counted])
        if above_db[0] < MARGIN_DB:  # so weak that even the lowest threshold is too high
            return None
        reached = np.flatnonzero(above_db <= MARGIN_DB)
        if not len(reached):  # above the highest threshold
            return float(level_db[-1])
        at = slice(reached[0] - 1, reached[0] + 1) if reached[0] else slice(0, 1)
        return float(np.interp(-MARGIN_DB, -above_db[at], level_db[at]))

    def _active_samples(self) -> Block:
        """Return the active samples at each threshold, runs and hangovers still open included."""
        samples, level = self._progress
        active = self._count[ACTIVE].copy()
        active[:level] += samples - self._count[STARTED, :level]
        ended = self._count[ENDED, level:]
        active[level:] += np.where(ended == NEVER, 0, np.minimum(samples - ended, self._hangover))
        return np.asarray(active, dtype=np.float64)


@kernel
def _follow(
    block: Block, pole: float, hangover: int, sums: Block, progress: Counts, count: Counts
) -> None:
    """Run the envelope; count only when it crosses a threshold, ``level`` of which are passed."""
    first, second, energy = sums[FIRST], sums[SECOND], sums[ENERGY]
    samples, level = progress[0], progress[1]
    highest = THRESHOLDS.shape[0]
    for i in range(block.shape[0]):
        energy += block[i] * block[i]
        first = pole * first + (1.0 - pole) * abs(block[i])
        second = pole * second + (1.0 - pole) * first
        while level < highest and second >= THRESHOLDS[level]:
            if count[ENDED, level] != NEVER:
                count[ACTIVE, level] += min(samples + i - count[ENDED, level], hangover)
            count[STARTED, level] = samples + i
            level += 1
        while level > 0 and second < THRESHOLDS[level - 1]:
            level -= 1
            count[ACTIVE, level] += samples + i - count[STARTED, level]
            count[ENDED, level] = samples + i
    sums[FIRST], sums[SECOND], sums[ENERGY] = first, second, energy
    progress[0], progress[1] = samples + block.shape[0], level
