"""An AM receiver with an envelope detector, as one hears a station: noise, fading, a narrow filter.

    carrier and sidebands, faded -> white noise -> filter of the intermediate frequency -> magnitude
    -> automatic gain: divided by its own slow mean -> audio filter

Noise and fading depend on nothing but the design, so that all that is compared meets the same.
Both filters have linear phase and no delay.  How far the gain follows and how deep and fast it
fades are common practice, no source.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.settings import check, setting
from carrierfloor.dsp.simulated_channel import ChannelDesign, SimulatedChannel
from carrierfloor.dsp.simulated_noise import WhiteNoise
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

NONE, SELECTIVE = "none", "selective"
# The second ray is a millisecond late, so that each half millisecond's worth of spectrum, 500 Hz,
# fades by itself; a notch 20 dB deep moves through carrier and sidebands every five seconds.
FADING_DB, FADING_HZ, FADING_DELAY_MS = 20.0, 0.2, 1.0
IF_SLOPE = 1.25  # the intermediate frequency's filter ends there, in parts of its flat half
AUDIO_SLOPE = 0.96  # the audio filter is flat up to there, in parts of the bandwidth
LOWEST_HZ, FLAT_FROM_HZ = 50.0, 100.0  # of the audio
GAIN_S = 0.5  # time constant of the automatic gain
MOST_GAIN = 100.0  # of the automatic gain
SETTLING_SAMPLES = 24_000  # of carrier and noise, before and after
GRID_SAMPLES = 4_800  # transforms are a multiple of it long, which makes them quick


@dataclass(frozen=True, kw_only=True)
class ReceiverDesign:
    """How a station is received."""

    carrier_to_noise_db: float = setting(
        20.0, unit="dB", low=-10.0, high=100.0, effect="carrier over noise in 10 kHz"
    )
    bandwidth_hz: float = setting(
        5000.0, unit="Hz", low=1500.0, high=10_000.0, effect="highest audio frequency"
    )
    fading: str = setting(NONE, choices=(NONE, SELECTIVE), effect="of carrier and sidebands")
    seed: int = setting(1, low=0, high=2**32 - 1, effect="of the noise")

    def __post_init__(self) -> None:
        check(self, "receiver")

    @property
    def channel(self) -> ChannelDesign:
        """What happens on the way."""
        noise = {"carrier_to_noise_db": self.carrier_to_noise_db}
        if self.fading == NONE:
            return ChannelDesign(**noise)
        return ChannelDesign(
            **noise,
            fading_db=FADING_DB,
            fading_hz=FADING_HZ,
            fading_delay_ms=FADING_DELAY_MS,
        )


def received(modulation: Block, design: ReceiverDesign) -> Block:
    """Return what a receiver makes of a transmitter's modulation.

    Parameters
    ----------
    modulation : ndarray, shape (n,)
        Envelope over carrier, less 1, at 48 kHz.
    design : ReceiverDesign
        The way and the receiver.

    Returns
    -------
    ndarray, shape (n,)
        Audio, 1.0 = 100 % modulation of the carrier as received; in step with the modulation.
    """
    after = SETTLING_SAMPLES + -(len(modulation) + 2 * SETTLING_SAMPLES) % GRID_SAMPLES
    level = _if_level(np.pad(modulation, (SETTLING_SAMPLES, after)), design)
    level /= _slow_mean(level)
    level -= 1.0
    audio = _audio_filtered(level, design.bandwidth_hz)
    return audio[SETTLING_SAMPLES : SETTLING_SAMPLES + len(modulation)]


def _if_level(modulation: Block, design: ReceiverDesign) -> Block:
    """Return what the detector gives; in place where it can, for minutes are large here."""
    channel = SimulatedChannel(design.channel, SAMPLE_RATE_HZ, -SETTLING_SAMPLES)
    arriving = channel.process(1.0 + modulation)
    noise_rms = design.channel.noise_rms(SAMPLE_RATE_HZ)
    arriving += WhiteNoise(noise_rms, np.random.default_rng(design.seed)).take(len(arriving))
    _if_filter(arriving, design.bandwidth_hz)
    return np.abs(arriving)


def _if_filter(arriving: Complex, bandwidth_hz: float) -> None:
    """Filter in place."""
    np.fft.fft(arriving, out=arriving)
    frequency_hz = np.abs(np.fft.fftfreq(len(arriving), 1.0 / SAMPLE_RATE_HZ))
    arriving *= _falling(frequency_hz, bandwidth_hz, IF_SLOPE * bandwidth_hz)
    np.fft.ifft(arriving, out=arriving)


def _audio_filtered(audio: Block, bandwidth_hz: float) -> Block:
    frequency_hz = np.asarray(np.fft.rfftfreq(len(audio), 1.0 / SAMPLE_RATE_HZ), np.float64)
    gain = _falling(frequency_hz, AUDIO_SLOPE * bandwidth_hz, bandwidth_hz)
    gain *= 1.0 - _falling(frequency_hz, LOWEST_HZ, FLAT_FROM_HZ)
    bins = np.fft.rfft(audio)
    bins *= gain
    return np.fft.irfft(bins, len(audio))


def _falling(frequency_hz: Block, flat_to_hz: float, ends_hz: float) -> Block:
    """Return a gain that falls from 1 to 0 on a raised cosine."""
    part = np.clip((ends_hz - frequency_hz) / (ends_hz - flat_to_hz), 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * part))


def _slow_mean(level: Block) -> Block:
    """Return what the automatic gain divides by."""
    from scipy import signal  # it takes a second to load

    pole = math.exp(-1.0 / (GAIN_S * SAMPLE_RATE_HZ))
    begin = [pole * float(np.mean(level[:SETTLING_SAMPLES]))]
    mean, _ = signal.lfilter([1.0 - pole], [1.0, -pole], level, zi=begin)
    return np.asarray(np.maximum(mean, 1.0 / MOST_GAIN))
