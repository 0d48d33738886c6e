"""Level of a signal against full scale: peak, and how loud the speech in it is."""

import math

import numpy as np

from carrierfloor.dsp.activity import ActiveSpeech, ActiveSpeechMeter
from carrierfloor.dsp.stage import Block


def decibels(ratio: float) -> float:
    """Return 20 lg of a ratio of amplitudes; minus infinity for zero."""
    return 20.0 * math.log10(ratio) if ratio > 0.0 else -math.inf


def amplified(block: Block, factor: float) -> Block:
    """Return a block times a factor."""
    return factor * block


class LevelMeter:
    """Measure a stream in constant memory.

    Parameters
    ----------
    sample_rate_hz : float
        Of the blocks fed.

    Attributes
    ----------
    peak : float
        Largest magnitude of a sample so far, 1.0 = full scale.
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self.peak = 0.0
        self._speech = ActiveSpeechMeter(sample_rate_hz)

    def feed(self, block: Block) -> None:
        """Take the next samples, shape (n,)."""
        self.peak = max(self.peak, float(np.abs(block).max(initial=0.0)))
        self._speech.feed(block)

    @property
    def speech(self) -> ActiveSpeech:
        """Level and activity of all that was fed (ITU-T P.56)."""
        return self._speech.read()
