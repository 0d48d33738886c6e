"""Hum and noise of a transmitter without modulation, against a tone of 100 %.

A level of 0 dB is that of a tone of m = 1, whose mean square is a half: a steady line of amplitude
A has 20 lg A, noise of rms r has 20 lg(r sqrt(2)).
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from carrierfloor.dsp.emission import to_dbc
from carrierfloor.dsp.hum_lines import Line, find_lines
from carrierfloor.dsp.stage import Block

MAINS_HZ = (50.0, 60.0)
WITHIN_HZ, WITHIN = 0.3, 0.005  # of a multiple: so much, and a part of its frequency
LOWEST_HZ = 20.0  # what is slower is the carrier's drift in level, no noise


@dataclass(frozen=True, kw_only=True)
class HumAndNoise:
    """Steady lines and noise; levels in dB of a tone of 100 % modulation."""

    mains_hz: float | None  # 50 or 60: whose multiples the hum consists of
    hum: tuple[Line, ...]  # by frequency
    other_lines: tuple[Line, ...]  # steady, and no multiples
    hum_db: float  # all of the hum
    noise_db: float  # what is left without any line
    total_db: float  # hum, other lines and noise
    lowest_hz: float  # of what was measured
    highest_hz: float

    def order(self, line: Line) -> int:
        """Return which multiple of the mains a line is; 0 if there is no hum."""
        return round(line.frequency_hz / self.mains_hz) if self.mains_hz else 0


def hum_and_noise(samples: Block, rate_hz: float, highest_hz: float) -> HumAndNoise:
    """Take a quiet stretch apart.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        m, 1.0 = 100 %, half a second at least; 50 and 60 Hz need no more to be told apart.
    rate_hz : float
        Of the samples.
    highest_hz : float
        What the recording passes; noise counts from 20 Hz to there.
    """
    centred = np.asarray(samples, dtype=float) - np.mean(samples)
    lines = find_lines(centred, rate_hz)
    rest = centred - sum((line.at(len(centred), rate_hz) for line in lines), np.zeros(len(centred)))
    mains_hz = _mains(lines)
    hum = [line for line in lines if mains_hz and _is_multiple(line, mains_hz)]
    other = [line for line in lines if line not in hum]
    return HumAndNoise(
        mains_hz=mains_hz,
        hum=tuple(sorted(hum)),
        other_lines=tuple(sorted(other)),
        hum_db=to_dbc(_power(hum)),
        noise_db=to_dbc(2.0 * _mean_square(rest, rate_hz, highest_hz)),
        total_db=to_dbc(2.0 * _mean_square(rest, rate_hz, highest_hz) + _power(lines)),
        lowest_hz=LOWEST_HZ,
        highest_hz=highest_hz,
    )


def _mains(lines: tuple[Line, ...]) -> float | None:
    """Return whose multiples hold most power; those of 300 Hz belong to both and do not decide."""
    power = {}
    for mains_hz in MAINS_HZ:
        others = [other for other in MAINS_HZ if other != mains_hz]
        own = [line for line in lines if _is_multiple(line, mains_hz)]
        power[mains_hz] = _power([x for x in own if not _is_multiple(x, others[0])])
        power[mains_hz] += 1e-9 * _power(own)
    best_hz = max(power, key=lambda mains_hz: power[mains_hz])
    return best_hz if power[best_hz] > 0.0 else None


def _is_multiple(line: Line, mains_hz: float) -> bool:
    order = round(line.frequency_hz / mains_hz)
    off_hz = abs(line.frequency_hz - order * mains_hz)
    return order >= 1 and off_hz <= WITHIN_HZ + WITHIN * line.frequency_hz


def _power(lines: "list[Line] | tuple[Line, ...]") -> float:
    """Return the power of lines over that of one of amplitude 1."""
    return math.fsum(line.amplitude**2 for line in lines)


def _mean_square(samples: Block, rate_hz: float, highest_hz: float) -> float:
    """Return the mean square of what lies between LOWEST_HZ and the highest frequency."""
    window = np.hanning(len(samples) + 2)[1:-1]
    power = np.square(np.abs(fft.rfft(samples * window)))
    frequency_hz = np.arange(len(power)) * (rate_hz / len(samples))
    wanted = (frequency_hz >= LOWEST_HZ) & (frequency_hz <= highest_hz)
    return 2.0 * float(power[wanted].sum()) / (len(samples) * float(np.sum(window**2)))
