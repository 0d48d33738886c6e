"""Active speech level: how strong speech is while somebody speaks, ITU-T P.56 method B.

The pauses of a recording say nothing about its loudness; P.56 leaves them out.  An envelope
(rectifier and two equal poles) is held against thresholds one octave apart; for each, the time
spent above it, a hangover included, is counted.  The level is taken at the threshold that lies
a fixed margin below it.

Formula source: ITU-T Recommendation P.56 (12/2011), "Objective measurement of active speech
level", method B; the same algorithm is in ITU-T G.191 (software tool library), ``sv56``.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

TIME_CONSTANT_S = 0.03  # P.56 table 1: T, of each of the two poles
HANGOVER_S = 0.2  # P.56 table 1: H
MARGIN_DB = 15.9  # P.56 table 1: M, from the threshold up to the active level
# P.56 uses fifteen thresholds below 16-bit full scale; here 1.0 is 100 % modulation, which a
# signal may pass, so they go from -96 to +18 dB.
THRESHOLDS = 2.0 ** np.arange(-16, 4)


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
        self._envelope = np.zeros(2)
        self._samples = 0
        self._energy = 0.0
        self._silent = np.full(len(THRESHOLDS), self._hangover, dtype=np.int64)
        self._active = np.zeros(len(THRESHOLDS), dtype=np.int64)
        self._active_energy = np.zeros(len(THRESHOLDS))

    def feed(self, block: Block, companion: Block | None = None) -> None:
        """Take the next samples of the stream.

        Parameters
        ----------
        block : ndarray, shape (n,)
            The speech that decides when somebody speaks.
        companion : ndarray, shape (n,), optional
            Another signal in step with it, whose rms while the speech is active
            :meth:`companion_rms` returns.
        """
        other = block if companion is None else companion
        if len(other) != len(block):
            raise ValueError(f"companion has {len(other)} samples, the block {len(block)}")
        self._samples += len(block)
        self._energy += float(np.dot(block, block))
        _count(
            np.ascontiguousarray(block, dtype=np.float64),
            np.ascontiguousarray(other, dtype=np.float64),
            self._pole,
            self._hangover,
            self._envelope,
            self._silent,
            self._active,
            self._active_energy,
        )

    def read(self) -> ActiveSpeech:
        """Return level and activity of all that was fed."""
        rms = math.sqrt(self._energy / self._samples) if self._samples else 0.0
        at = self._threshold_at()
        if at is None:
            return ActiveSpeech(0.0, rms, 0.0)
        level_db = float(np.interp(at, *self._levels_db()))
        activity = min(1.0, rms**2 / 10.0 ** (level_db / 10.0))
        return ActiveSpeech(10.0 ** (level_db / 20.0), rms, activity)

    def companion_rms(self) -> float:
        """Return the rms of the companion while the speech was active, 0 without speech."""
        at = self._threshold_at()
        if at is None:
            return 0.0
        counted = self._active > 0
        mean = self._active_energy[counted] / self._active[counted]
        return math.sqrt(np.interp(at, np.flatnonzero(counted).astype(float), mean))

    def _levels_db(self) -> tuple[Block, Block]:
        """Return the counted thresholds' numbers and the level that each would give."""
        counted = np.flatnonzero(self._active)
        level = 10.0 * np.log10(max(self._energy, 1e-300) / self._active[counted])
        return counted.astype(np.float64), level

    def _threshold_at(self) -> float | None:
        """Return the (fractional) number of the threshold MARGIN_DB below its own level."""
        number, level_db = self._levels_db()
        if not len(number):
            return None
        above_db = level_db - 20.0 * np.log10(THRESHOLDS[number.astype(int)])
        if above_db[0] < MARGIN_DB:  # so weak that even the lowest threshold is too high
            return None
        # falls from threshold to threshold; interp wants it rising
        return float(np.interp(-MARGIN_DB, -above_db, number))


@kernel
def _count(block, other, pole, hangover, envelope, silent, active, active_energy):  # type: ignore[no-untyped-def]
    """Run the envelope and count, for each threshold, active samples and their energy."""
    first, second = envelope[0], envelope[1]
    for i in range(block.shape[0]):
        first = pole * first + (1.0 - pole) * abs(block[i])
        second = pole * second + (1.0 - pole) * first
        energy = other[i] * other[i]
        for j in range(silent.shape[0]):
            silent[j] = 0 if second >= THRESHOLDS[j] else silent[j] + 1
            if silent[j] <= hangover:
                active[j] += 1
                active_energy[j] += energy
    envelope[0], envelope[1] = first, second
