"""A speech-like waveform made on the spot, and the same held within limits on any path.

For working out what a path does to speech where no recording is at hand: voiced sounds of a low
and a high voice, each of either polarity, their formants moving, and as much noise, pink and white.
The noise is there for the many shapes of its peaks: filters and a bend further on treat every shape
differently, and vowels alone showed a third of what clips of speech did.
"""

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.limiter import LimitedPath, build_limiter
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.path_model import digital_sections
from carrierfloor.dsp.stage import HOP, SAMPLE_RATE_HZ, Block

Floats = NDArray[np.float64]

LENGTH_S = 16.0
SYLLABLE_S = 0.25
BAND_HZ = (80.0, 100.0, 4000.0, 5000.0)  # silent below, whole from, whole to, silent above
DRIVE = 4.0  # 12 dB above the limits before it is clipped
# Formants in Hz of three vowels, after G. E. Peterson and H. L. Barney, "Control methods used in a
# study of the vowels", J. Acoust. Soc. Am. 24, 1952 (from memory), and their bandwidths.
VOWELS_HZ = ((730.0, 1090.0, 2440.0), (270.0, 2290.0, 3010.0), (300.0, 870.0, 2240.0))
BANDWIDTHS_HZ = (90.0, 110.0, 170.0)
PITCHES_HZ = (95.0, 180.0)
SEED = 4


@cache
def speech_like() -> Block:
    """Return the waveform: about 1.0 in each syllable, shape (n,), 48 kHz; not to be changed."""
    count = round(SYLLABLE_S * SAMPLE_RATE_HZ)
    random = np.random.default_rng(SEED)
    parts = []
    for number in range(round(LENGTH_S / SYLLABLE_S)):
        turn, kind = divmod(number, 4)
        part = _voiced(2 * turn + kind, count) if kind < 2 else _noise(random, count, kind == 2)
        part = part * np.sin(np.pi * (np.arange(count) + 0.5) / count) ** 0.5
        parts.append(part / np.abs(part).max())
    samples = np.concatenate(parts)
    samples.flags.writeable = False
    return samples


def _voiced(number: int, count: int) -> Block:
    """Return one vowel: harmonics of a gliding pitch under moving formants."""
    t = np.arange(count) / SAMPLE_RATE_HZ
    base_hz = PITCHES_HZ[number // 2 % 2] * (1.0 + 0.05 * (number % 5))
    turns = base_hz * (t + 0.3 * t * t)
    here = np.array(VOWELS_HZ[number % 3])
    there = np.array(VOWELS_HZ[(number + 1) % 3])
    wave = np.zeros(count)
    for order in range(1, int(BAND_HZ[3] / base_hz)):
        f = order * base_hz
        gains = [_formants(f, here), _formants(f, there)]
        blend = t / t[-1]
        gain = gains[0] * (1.0 - blend) + gains[1] * blend
        wave += np.real(gain * np.exp(2j * np.pi * order * turns)) / order
    return wave if number % 2 else -wave


def _noise(random: np.random.Generator, count: int, pink: bool) -> Block:
    """Return noise in the band of speech, white or pink."""
    bins = fft.rfft(random.standard_normal(count))
    frequency_hz = fft.rfftfreq(count, 1.0 / SAMPLE_RATE_HZ)
    bins[(frequency_hz < BAND_HZ[0]) | (frequency_hz > BAND_HZ[3])] = 0.0
    if pink:
        bins /= np.sqrt(np.maximum(frequency_hz, BAND_HZ[0]))
    return np.asarray(fft.irfft(bins, count))


def _formants(frequency_hz: float, centres_hz: Floats) -> complex:
    product = 1.0 + 0.0j
    for centre_hz, width_hz in zip(centres_hz, BANDWIDTHS_HZ, strict=True):
        product /= (
            1.0 - (frequency_hz / centre_hz) ** 2 + 1j * frequency_hz * width_hz / centre_hz**2
        )
    return complex(product)


def driven(negative_limit: float, positive_limit: float) -> Block:
    """Return speech clipped hard at both limits and band-limited; it grows a little beyond."""
    down, up = min(negative_limit, positive_limit), positive_limit
    clipped = np.clip(DRIVE * speech_like(), -down, up)
    bins = fft.rfft(clipped)
    frequency_hz = fft.rfftfreq(len(clipped), 1.0 / SAMPLE_RATE_HZ)
    low = np.clip((frequency_hz - BAND_HZ[0]) / (BAND_HZ[1] - BAND_HZ[0]), 0.0, 1.0)
    high = np.clip((BAND_HZ[3] - frequency_hz) / (BAND_HZ[3] - BAND_HZ[2]), 0.0, 1.0)
    bins *= (0.5 - 0.5 * np.cos(np.pi * low)) * (0.5 - 0.5 * np.cos(np.pi * high))
    return np.asarray(fft.irfft(bins, len(clipped)))


def held(path: Path, negative_limit: float, positive_limit: float) -> Block:
    """Return driven speech as the limiter lets it out, so that a path holds both limits.

    Parameters
    ----------
    path : Path
        What the limiter foretells; no sections: the waveform itself holds the limits.
    negative_limit, positive_limit : float
        1.0 = 100 %.
    """
    sections, _ = digital_sections(path)
    limiter = build_limiter(
        [
            LimitedPath(
                sections=sections, negative_ceiling=negative_limit, positive_ceiling=positive_limit
            )
        ]
    )
    late = limiter.latency_samples
    samples = driven(negative_limit, positive_limit)
    whole = np.pad(samples, (0, late + -(len(samples) + late) % HOP))  # it takes whole hops
    return limiter.process(whole)[late : late + len(samples)]
