"""A trial: a recording through the whole chain, and what the antenna makes of it."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.prediction import AntennaMeter, AntennaReading
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.voice import Voice


@dataclass(frozen=True, kw_only=True)
class Trial:
    """What came out."""

    paths: tuple[AntennaReading, ...]  # what the antenna sees through each path of the rig
    meters: Mapping[str, float]  # of the chain

    @property
    def density(self) -> float:
        """Modulation density: rms of m while somebody speaks, 1.0 = 100 %; of the lowest path."""
        return min(path.speech.active_rms for path in self.paths)

    @property
    def density_db(self) -> float:
        """The same in dB."""
        return decibels(self.density)

    @property
    def negative_peak(self) -> float:
        """Deepest trough, 1.0 = carrier cut-off."""
        return max(path.modulation.negative_peak for path in self.paths)

    @property
    def positive_peak(self) -> float:
        """Highest crest, 1.0 = 100 %."""
        return max(path.modulation.positive_peak for path in self.paths)


def processed(voice: Voice, rig: Rig, samples: Block) -> tuple[Block, Mapping[str, float]]:
    """Run a recording through a fresh chain.

    Parameters
    ----------
    voice : Voice
        How it is shaped.
    rig : Rig
        The transmitter.
    samples : ndarray, shape (n,)
        At 48 kHz.

    Returns
    -------
    tuple of ndarray, shape (n,), and mapping
        What the sound card gets, in step with the recording, and the meters of the chain.
    """
    chain = Chain(voice, rig)
    out = np.concatenate([chain.process(samples), chain.flush()])
    return out[chain.latency_samples : chain.latency_samples + len(samples)], dict(chain.meters)


def try_out(voice: Voice, rig: Rig, samples: Block) -> Trial:
    """Run a recording through a fresh chain to the antenna; see :func:`processed`."""
    meter = AntennaMeter(rig)
    card, meters = processed(voice, rig, samples)
    meter.feed(card)
    meter.finish()
    return Trial(paths=meter.paths, meters=meters)
