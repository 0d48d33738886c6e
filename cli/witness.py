"""What is watched while a file is processed: levels, the antenna, and what else might have been.

Watching is no part of the processing, so its time is kept apart.
"""

import time
from dataclasses import replace

from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.level import LevelMeter
from carrierfloor.dsp.prediction import AFTER_SAMPLES, AntennaMeter
from carrierfloor.dsp.resampler import Resampler
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.same_loudness import SameLoudness
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.voice import Voice


class InputWitness:
    """Watch the input as the chain hears it, at 48 kHz.

    Parameters
    ----------
    voice, rig : Voice, Rig
        As the chain got them.
    highest_hz, sample_step : float
        As the chain got them.
    compare : bool
        Whether to follow the unprocessed input and a path-blind chain to the antenna as well.

    Attributes
    ----------
    unprocessed, path_blind : SameLoudness or None
        The two comparisons; ``path_blind`` is the same voice, limits and limiter, without the
        rig's paths in the limiter.
    seconds : float
        Time spent here.
    """

    def __init__(
        self, voice: Voice, rig: Rig, *, highest_hz: float, sample_step: float, compare: bool
    ) -> None:
        self.level = LevelMeter(SAMPLE_RATE_HZ)
        self.unprocessed = SameLoudness(rig) if compare else None
        self.path_blind: SameLoudness | None = None
        self.seconds = 0.0
        if compare and rig.paths:
            self.path_blind = SameLoudness(rig, rig.level.sample_at_full_modulation)
            self._blind_chain = Chain(
                voice, replace(rig, paths=()), highest_hz=highest_hz, sample_step=sample_step
            )

    def hear(self, block: Block) -> None:
        """Take the next samples of the input."""
        begun = time.perf_counter()
        self.level.feed(block)
        if self.unprocessed is not None:
            self.unprocessed.feed(block)
        if self.path_blind is not None:
            self.path_blind.feed(self._blind_chain.process(block))
        self.seconds += time.perf_counter() - begun

    def end_at(self, sample: int) -> None:
        """Learn where the input will end."""
        if self.path_blind is not None:
            self._blind_chain.end_at(sample)

    def finish(self) -> None:
        """Follow what comes after the last sample."""
        begun = time.perf_counter()
        if self.unprocessed is not None:
            self.unprocessed.finish()
        if self.path_blind is not None:
            self.path_blind.feed(self._blind_chain.flush())
            self.path_blind.finish(AFTER_SAMPLES)
        self.seconds += time.perf_counter() - begun


class OutputWitness:
    """Watch the samples as they are stored, at the output's rate."""

    def __init__(self, rig: Rig, sample_rate_hz: int) -> None:
        self.level = LevelMeter(sample_rate_hz)
        self.antenna = AntennaMeter(rig)
        self._to_meter = Resampler(sample_rate_hz, SAMPLE_RATE_HZ)
        self.seconds = 0.0

    def hear(self, block: Block) -> None:
        """Take the next samples of the output, 1.0 = full scale."""
        begun = time.perf_counter()
        self.level.feed(block)
        self.antenna.feed(self._to_meter.process(block))
        self.seconds += time.perf_counter() - begun

    def finish(self) -> None:
        """Follow what comes after the last sample."""
        begun = time.perf_counter()
        self.antenna.feed(self._to_meter.finish())
        self.antenna.finish()
        self.seconds += time.perf_counter() - begun
