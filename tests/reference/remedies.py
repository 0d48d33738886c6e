"""What an operator has without carrierfloor, on whole clips: compress, clip, scale, diode.

Simple and kind to the remedies: filters without phase shift, a compressor that sees ahead, a
diode without resistance.  Levels are modulation, 1.0 = 100 % at 1 kHz.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tests.reference import antenna
from tests.reference.speech_level import active_rms

Array = NDArray[np.float64]


def band_limit(samples: Array, rate_hz: float, cutoff_hz: float, stop_hz: float) -> Array:
    """Remove all above ``stop_hz``; a raised cosine from ``cutoff_hz``, no phase shift."""
    pad = round(0.05 * rate_hz)
    padded = np.pad(samples, pad)
    bins = fft.rfft(padded)
    f = fft.rfftfreq(len(padded), 1 / rate_hz)
    part = np.clip((f - cutoff_hz) / (stop_hz - cutoff_hz), 0, 1)
    bins *= 0.5 * (1 + np.cos(np.pi * part))
    return np.asarray(fft.irfft(bins, len(padded))[pad:-pad])


def compress(samples: Array, rate_hz: float, ratio: float = 4.0, window_s: float = 0.03) -> Array:
    """Compress about the mean power in a window around each sample.

    Below a tenth of the clip's active speech level the gain stays, so pauses are not pumped up.
    """
    sigma_bins = 1 / (2 * np.pi * window_s)
    size = fft.next_fast_len(len(samples) + round(rate_hz * 6 * window_s), real=True)
    f = fft.rfftfreq(size, 1 / rate_hz)
    power = fft.irfft(fft.rfft(samples**2, size) * np.exp(-0.5 * (f / sigma_bins) ** 2), size)
    level = np.sqrt(np.maximum(power[: len(samples)], 0))
    level = np.maximum(level, 0.1 * active_rms(samples, rate_hz))
    return np.asarray(samples * (level / level.max()) ** (1 / ratio - 1))


def scaled_to_trough(samples: Array, rate_hz: float, limit: float) -> Array:
    """Scale so that the deepest trough of this waveform, between samples too, is the limit."""
    return samples * (limit / antenna.judge(samples, rate_hz, 1.0, []).trough)


def diode(modulation: Array, limit: float) -> Array:
    """An ideal diode and keep-alive supply at the modulated stage: m never goes below -limit."""
    return np.maximum(modulation, -limit)


def gain_for_density(
    voice: Array,
    rate_hz: float,
    path: Sequence[antenna.SectionRow],
    limit: float,
    density: float,
) -> float:
    """Return the gain that gives this density behind path and diode, by bisection."""
    after_path = antenna.modulation(voice, rate_hz, 1.0, path, oversampling=1)
    low, high = 0.0, 1.0
    while active_rms(diode(high * after_path, limit), rate_hz) < density:
        high *= 2
    for _ in range(30):
        middle = (low + high) / 2
        enough = active_rms(diode(middle * after_path, limit), rate_hz) >= density
        low, high = (low, middle) if enough else (middle, high)
    return high
