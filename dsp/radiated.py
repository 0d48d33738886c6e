"""What a transmitter radiates of the sound card's samples, as modulation that can be listened to.

Where the audio asks for less than no carrier, the carrier is off: e = max(0, 1 + m).  That corner
is made at 192 kHz, so that what it throws beyond the audio folds back 60 dB down (emission.py).
"""

from collections.abc import Iterator

import numpy as np

from carrierfloor.dsp.antenna import Antenna, paths_of
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.interpolation import FACTOR, FINE_RATE_HZ, Interpolator
from carrierfloor.dsp.modulation import CUT_OFF
from carrierfloor.dsp.prediction import BLOCK, AntennaMeter
from carrierfloor.dsp.resampler import Resampler
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block


def radiated(card: Block, rig: Rig) -> Block:
    """Return the modulation of the envelope at the end of the rig's first path.

    Parameters
    ----------
    card : ndarray, shape (n,)
        What the sound card gets, at 48 kHz.
    rig : Rig
        The transmitter.

    Returns
    -------
    ndarray, shape (n,)
        Envelope over carrier, less 1; in step with the card's samples.
    """
    down = Resampler(FINE_RATE_HZ, SAMPLE_RATE_HZ)
    parts = [down.process(envelope) for envelope in _envelope(card, rig)]
    return np.concatenate([*parts, down.finish()])[: len(card)]


def _envelope(card: Block, rig: Rig) -> Iterator[Block]:
    """Yield the envelope less 1 at 192 kHz, in step: a long phrase would be large there."""
    interpolator = Interpolator()
    early = FACTOR * interpolator.delay_samples  # still to be dropped
    for wanted in _wanted(card, rig, interpolator.delay_samples):
        fine = interpolator.process(wanted)
        dropped = min(early, len(fine))
        early -= dropped
        yield np.maximum(CUT_OFF, fine[dropped:])


def _wanted(card: Block, rig: Rig, tail_samples: int) -> Iterator[Block]:
    """Yield the modulation that the audio asks for, and that of some silence after it."""
    antenna = Antenna(paths_of(rig)[0], rig.level.sample_at_full_modulation)
    for start in range(0, len(card), BLOCK):
        yield antenna.process(card[start : start + BLOCK])
    yield antenna.finish(tail_samples)


def scaled_to_limit(speech: Block, rig: Rig) -> Block:
    """Return speech scaled so that its deepest trough at the antenna is just the rig's limit.

    The worst of the rig's paths counts.  Crests go as high as they come.

    Parameters
    ----------
    speech : ndarray, shape (n,)
        At 48 kHz, of any level.
    rig : Rig
        The transmitter; its margin is kept free, as the limiter does.

    Raises
    ------
    AudioError
        If the speech never goes down.
    """
    meter = AntennaMeter(rig)
    meter.feed(speech)
    trough = meter.finish().modulation.negative_peak
    if trough <= 0.0:
        raise AudioError("the phrase is silent; there is nothing to scale to the limit")
    return speech * (rig.modulation.negative_aim / trough)
