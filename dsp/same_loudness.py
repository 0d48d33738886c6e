"""What another signal would do at the antenna if it were as loud as this one.

How loud is known only at the end, so carrier cut-offs are counted for every loudness at once, on
a grid of depths.  Loud means modulation density: the rms of m during active speech (ITU-T P.56).

Read at the samples of 48 kHz: a dip between two samples, up to 5 % deeper at 5 kHz, is not seen.
So the figures flatter the other signal a little, never this project.
"""

from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.activity import ActiveSpeechMeter, Counts
from carrierfloor.dsp.antenna import Antenna, paths_of
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

LOWEST_DB, HIGHEST_DB = -80.0, 60.0  # depths on the grid, 0 dB = carrier cut-off at scale 1
STEPS_PER_DB = 20.0
DEPTHS = int((HIGHEST_DB - LOWEST_DB) * STEPS_PER_DB)
SHALLOWEST = 10.0 ** (LOWEST_DB / 20.0)
_DB_PER_NEPER = 20.0 / np.log(10.0)


@dataclass(frozen=True)
class Excess:
    """What the signal would do at the antenna, over all paths of the rig."""

    gain_db: float  # what made it as loud; minus infinity where one of the two is silent
    negative_peak: float  # depth of the deepest trough, 1.0 is carrier cut-off
    positive_peak: float  # highest crest
    cutoffs: int  # how often the carrier went off
    cutoff_total_s: float  # for how long in all


class SameLoudness:
    """Follow a stream of samples at 48 kHz through a rig, in constant memory.

    Parameters
    ----------
    rig : Rig
        Where the signal goes.
    sample_at_full_modulation : float
        The sample value that makes +100 % before any change of loudness.
    """

    def __init__(self, rig: Rig, sample_at_full_modulation: float = 1.0) -> None:
        self._paths = [_Follower(path, sample_at_full_modulation) for path in paths_of(rig)]

    def feed(self, block: Block) -> None:
        """Take the next samples, shape (n,)."""
        for path in self._paths:
            path.feed(path.antenna.process(block))

    def finish(self, tail_samples: int = 0) -> None:
        """Follow the silence after the last sample."""
        for path in self._paths:
            path.feed(path.antenna.finish(tail_samples))

    @property
    def density(self) -> float:
        """Modulation density as it is: rms of m in active speech; the lowest of the paths."""
        return min(path.speech.read().active_rms for path in self._paths)

    def at(self, density: float) -> Excess:
        """Return what the signal would do if its density were the given one."""
        own = self.density
        if own <= 0.0 or density <= 0.0:
            return Excess(-np.inf, 0.0, 0.0, 0, 0.0)
        scale = density / own
        counts = [path.cutoffs(scale) for path in self._paths]
        return Excess(
            gain_db=20.0 * float(np.log10(scale)),
            negative_peak=scale * max(float(-path.extremes[0]) for path in self._paths),
            positive_peak=scale * max(float(path.extremes[1]) for path in self._paths),
            cutoffs=max(number for number, _ in counts),
            cutoff_total_s=max(samples for _, samples in counts) / SAMPLE_RATE_HZ,
        )


class _Follower:
    """The modulation at the end of one path."""

    def __init__(self, path: Path, sample_at_full_modulation: float) -> None:
        self.antenna = Antenna(path, sample_at_full_modulation)
        self.speech = ActiveSpeechMeter()
        self.extremes = np.zeros(2)
        self._last = np.zeros(1, dtype=np.int64)
        self._changes = np.zeros(DEPTHS + 2, dtype=np.int64)
        self._deep = np.zeros(DEPTHS + 1, dtype=np.int64)

    def feed(self, modulation: Block) -> None:
        self.speech.feed(modulation)
        _follow(modulation, self.extremes, self._last, self._changes, self._deep)

    def cutoffs(self, scale: float) -> tuple[int, int]:
        """Return how often and for how many samples the carrier is off at a scale."""
        level = round((-20.0 * float(np.log10(scale)) - LOWEST_DB) * STEPS_PER_DB)
        level = max(level, 0)
        if level >= DEPTHS:
            return 0, 0
        begun = np.cumsum(self._changes)[level]
        return int(begun), int(self._deep[level + 1 :].sum())


@kernel
def _follow(
    modulation: Block, extremes: Block, last: Counts, changes: Counts, deep: Counts
) -> None:
    """Count, for every depth on the grid, how often m falls below it and how long it stays.

    A fall from depth number j to number k begins a dip at the levels j to k - 1: one mark where
    they start and one where they end, summed up when read.
    """
    before = last[0]
    lowest, highest = extremes[0], extremes[1]
    for i in range(modulation.shape[0]):
        m = modulation[i]
        lowest, highest = min(lowest, m), max(highest, m)
        now = 0
        if m < -SHALLOWEST:
            now = int((np.log(-m) * _DB_PER_NEPER - LOWEST_DB) * STEPS_PER_DB) + 1
            now = min(now, DEPTHS)
        if now > before:
            changes[before] += 1
            changes[now] -= 1
        deep[now] += 1
        before = now
    last[0] = before
    extremes[0], extremes[1] = lowest, highest
