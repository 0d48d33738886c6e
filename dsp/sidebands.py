"""The sidebands of a recorded transmission: their power on each side, and whether they match.

The two sidebands of amplitude modulation are mirror images.  What one side has and the other has
not is another station, a line of the receiver, or phase modulation on top of the amplitude.
"""

import math

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.emission import to_dbc
from carrierfloor.dsp.rf_spectrum import RfSpectrum


def power_beyond_dbc(
    spectrum: RfSpectrum, offset_hz: float, up_to_hz: float = math.inf
) -> tuple[float, float]:
    """Return the mean power farther from the carrier than an offset, lower and upper side."""
    lower, upper = (_power(spectrum, side, offset_hz, up_to_hz) for side in (-1.0, 1.0))
    return to_dbc(lower), to_dbc(upper)


def asymmetry_db(spectrum: RfSpectrum, from_hz: float, to_hz: float) -> float:
    """Return the power of the upper sideband over that of the lower one, between two offsets.

    NaN if either side has none.
    """
    lower, upper = (_power(spectrum, side, from_hz, to_hz) for side in (-1.0, 1.0))
    return 10.0 * math.log10(upper / lower) if lower > 0.0 and upper > 0.0 else math.nan


def shared_part(spectrum: RfSpectrum, from_hz: float, to_hz: float) -> float:
    """Return how much of the power between two offsets both sidebands have in common.

    1 for amplitude modulation alone, about 0 for noise or another station; NaN without power.
    """
    sides = [_bins(spectrum, side, from_hz, to_hz) for side in (-1.0, 1.0)]
    power = sum(float(spectrum.mean_power[bins].sum()) for bins in sides)
    shared = sum(float(spectrum.shared_power[bins].sum()) for bins in sides)
    return min(1.0, max(0.0, shared / power)) if power > 0.0 else math.nan


def _bins(spectrum: RfSpectrum, side: float, from_hz: float, to_hz: float) -> NDArray[np.bool_]:
    """Return which usable bins of one side lie between two offsets."""
    away_hz = side * spectrum.offset_hz
    return np.asarray((away_hz > from_hz) & (away_hz <= to_hz) & spectrum.usable)


def _power(spectrum: RfSpectrum, side: float, from_hz: float, to_hz: float) -> float:
    return float(spectrum.mean_power[_bins(spectrum, side, from_hz, to_hz)].sum())
