"""Sound files at the chain's rate, their channels mixed: block by block, or a whole phrase."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from carrierfloor.cli.audio_in import AudioIn
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.intake import Intake
from carrierfloor.dsp.resampler import Resampler
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

LONGEST_S = 120.0  # a phrase is held in memory, and scoring takes 3 MB a second


def at_48_khz(file: Path) -> Iterator[Block]:
    """Yield a sound file, its channels mixed, at 48 kHz.

    Raises
    ------
    AudioError
        If it cannot be read, or its channels cancel each other.
    """
    with AudioIn(file) as sound:
        intake = Intake(sound.channels)
        resampler = Resampler(sound.sample_rate_hz, SAMPLE_RATE_HZ)
        for frames in sound.blocks():
            yield resampler.process(intake.process(frames))
        if intake.cancels:
            raise AudioError(f"{file}: mixing its channels cancels them; give only one")
        yield resampler.finish()


def read_phrase(file: Path) -> Block:
    """Return a phrase, its channels mixed, at 48 kHz.

    Raises
    ------
    AudioError
        If it cannot be read or is too long.
    """
    blocks, samples = [], 0
    for block in at_48_khz(file):
        blocks.append(block)
        samples += len(block)
        if samples > LONGEST_S * SAMPLE_RATE_HZ:
            raise AudioError(f"{file}: it is longer than {LONGEST_S:g} s; cut a phrase out of it")
    return np.concatenate(blocks)
