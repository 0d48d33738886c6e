"""Speech as an ideal AM receiver hears it without noise, and the talker's own words beside it.

Everything is compared at equal carrier power: the modulation behind the rig's first path is
scaled until its deepest trough lies exactly at the rig's negative limit, whatever the speech was
like before.  The receiver passes 5 kHz of audio.
"""

import math

import numpy as np

from carrierfloor.dsp.antenna import Antenna, paths_of
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.interpolation import Interpolator
from carrierfloor.dsp.modulation import ModulationMeter
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

RECEIVER_RATE_HZ = 10_000  # holds 5 kHz of audio exactly; the rate at which ESTOI works
AUDIO_HZ, EDGE_HZ = 5_000.0, 4_800.0  # the receiver's audio band, and where its slope begins
BEHIND_SAMPLES = 24_000  # half a second of silence after the speech, in which the path rings out
# The shortest stretch that holds whole samples at both rates, times enough to be quick to
# transform: a tenth of a second.
GRID_SAMPLES = 4_800


def talker(speech: Block) -> Block:
    """Return the talker's own words in the receiver's audio band.

    Parameters
    ----------
    speech : ndarray, shape (n,)
        At 48 kHz.

    Returns
    -------
    ndarray, shape (k,)
        At 10 kHz, with half a second or a little more of silence behind it.
    """
    return _receiver_audio(np.concatenate([speech, np.zeros(BEHIND_SAMPLES)]))


def merely_scaled(speech: Block, rig: Rig) -> Block:
    """Return the sound-card samples of speech that is low-passed to 5 kHz and scaled, no more.

    Parameters
    ----------
    speech : ndarray, shape (n,)
        At 48 kHz, of any level.
    rig : Rig
        Its first path leads to the antenna, where the deepest trough lies at the rig's limit.

    Returns
    -------
    ndarray, shape (n,)
        At 48 kHz.

    Raises
    ------
    AudioError
        If the speech is silent.
    """
    size = len(speech) + BEHIND_SAMPLES  # the filter's precursors wrap into silence
    bins = np.fft.rfft(speech, size)
    low_passed = np.fft.irfft(bins * _audio_band(len(bins), size), size)[: len(speech)]
    card = np.asarray(low_passed * rig.level.sample_at_full_modulation)
    return card * gain_to_limit(_at_the_antenna(card, rig), rig)


def heard(card: Block, rig: Rig) -> tuple[Block, float]:
    """Return what the receiver hears for a carrier of 1, the deepest trough at the rig's limit.

    Parameters
    ----------
    card : ndarray, shape (n,)
        What the sound card gets, at 48 kHz, in step with the speech.
    rig : Rig
        Its first path leads to the antenna.

    Returns
    -------
    audio : ndarray, shape (k,)
        At 10 kHz, as long as :func:`talker` returns it.
    gain : float
        What brought the trough to the limit; 1 where it was there already.

    Raises
    ------
    AudioError
        If nothing is modulated.
    """
    modulation = _at_the_antenna(card, rig)
    gain = gain_to_limit(modulation, rig)
    return _receiver_audio(gain * modulation), gain


def gain_to_limit(modulation: Block, rig: Rig) -> float:
    """Return the gain that brings the deepest trough, between samples too, to the rig's limit.

    Raises
    ------
    AudioError
        If there is no trough.
    """
    interpolator, meter = Interpolator(), ModulationMeter()
    meter.feed(interpolator.process(modulation))
    meter.feed(interpolator.process(np.zeros(interpolator.delay_samples)))
    trough = meter.read().negative_peak
    if trough <= 0.0:
        raise AudioError("nothing is modulated; intelligibility needs speech that is not silent")
    return rig.modulation.negative_limit_pct / 100.0 / trough


def _at_the_antenna(card: Block, rig: Rig) -> Block:
    """Return the modulation of the rig's first path until it has rung out."""
    path = Antenna(paths_of(rig)[0], rig.level.sample_at_full_modulation)
    return np.concatenate([path.process(card), path.finish(BEHIND_SAMPLES)])


def _receiver_audio(modulation: Block) -> Block:
    """Low-pass to 5 kHz and give one sample in 4.8."""
    size = GRID_SAMPLES * math.ceil(len(modulation) / GRID_SAMPLES)
    bins = np.fft.rfft(modulation, size)
    kept_size = round(size * RECEIVER_RATE_HZ / SAMPLE_RATE_HZ)
    kept = (bins * _audio_band(len(bins), size))[: kept_size // 2 + 1]
    return np.asarray(np.fft.irfft(kept, kept_size) * (kept_size / size))


def _audio_band(count: int, size: int) -> Block:
    """Return the gain of the receiver's low-pass at each bin: a raised cosine at its edge."""
    frequency_hz = np.arange(count) * SAMPLE_RATE_HZ / size
    slope = np.clip((AUDIO_HZ - frequency_hz) / (AUDIO_HZ - EDGE_HZ), 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * slope))
