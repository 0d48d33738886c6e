"""Ordinary speech, made on the spot: what a talker's recording is compared with.

Noise with the long-term average spectrum of speech (dsp/speech_noise.py) whose level swells as
that of speech does.  How much and how fast was set on twelve clips, eight of them synthetic:
there the five shipped voices that have a drive reach the same modulation density, in the mean
over the clips, within 0.5 dB.
"""

from functools import cache

import numpy as np
from scipy.ndimage import gaussian_filter1d

from carrierfloor.dsp.speech_noise import PERIOD_S, SpeechNoise
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

LOWEST_HZ, HIGHEST_HZ = 63.0, 8000.0
SWELL_DB = 9.0  # standard deviation of the level
SWELL_S = 0.03  # of the Gaussian that its course is smoothed by: syllables of a fifth of a second
PEAK = 0.3  # of the noise before it swells; any voice with a leveller does without it
SEED = 3


@cache
def ordinary_speech() -> Block:
    """Return eight seconds, shape (n,), 48 kHz; not to be changed."""
    rate_hz = int(SAMPLE_RATE_HZ)
    noise = SpeechNoise(lowest_hz=LOWEST_HZ, highest_hz=HIGHEST_HZ, sample_rate_hz=rate_hz)
    count = round(PERIOD_S * rate_hz)
    course = np.random.default_rng(SEED).standard_normal(count)
    course = gaussian_filter1d(course, SWELL_S * rate_hz, mode="wrap")
    samples = PEAK * noise.at(0, count) * 10.0 ** (SWELL_DB / 20.0 * course / course.std())
    samples.flags.writeable = False
    return np.asarray(samples)
