"""Active speech level after ITU-T P.56 (2011), method B, in plain numpy and scipy.

A second way, apart from carrierfloor's own meter: two-pole envelope with a time constant of
30 ms, hangover 200 ms, margin 15.9 dB, thresholds halved; interpolated between thresholds.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Array = NDArray[np.float64]

TIME_CONSTANT_S = 0.03
HANGOVER_S = 0.2
MARGIN_DB = 15.9
THRESHOLDS = 0.5 ** np.arange(1, 17)  # of full scale; here of the highest sample


def active_rms(samples: Array, rate_hz: float) -> float:
    """Return the rms value over the time in which somebody speaks; 0 for silence."""
    scale = float(np.abs(samples).max())
    if scale == 0.0:
        return 0.0
    scaled = samples / scale
    pole = math.exp(-1 / (TIME_CONSTANT_S * rate_hz))
    one_pole = ([1 - pole], [1, -pole])
    envelope = signal.lfilter(*one_pole, signal.lfilter(*one_pole, np.abs(scaled)))
    energy = float(np.sum(scaled**2))
    hang = round(HANGOVER_S * rate_hz)
    previous: tuple[float, float] | None = None
    for threshold in THRESHOLDS[np.maximum.accumulate(envelope.max() >= THRESHOLDS)]:
        count = _active_samples(envelope >= threshold, hang)
        level_db = 10 * math.log10(energy / count)
        above_db = level_db - 20 * math.log10(threshold)
        if above_db >= MARGIN_DB:
            if previous is not None:  # between the two thresholds, where the margin is met
                part = (MARGIN_DB - previous[1]) / (above_db - previous[1])
                level_db = previous[0] + part * (level_db - previous[0])
            return scale * 10 ** (level_db / 20)
        previous = level_db, above_db
    return scale * 10 ** (level_db / 20)


def _active_samples(over: NDArray[np.bool_], hang: int) -> int:
    """Count samples that are over the threshold or no more than the hangover past one."""
    places = np.flatnonzero(over)
    gaps = np.diff(np.append(places, len(over)))
    return int(np.minimum(gaps, hang).sum())
