"""A level found with a tone of some frequency, as the level of a tone of 1 kHz."""

import numpy as np

from carrierfloor.dsp.antenna import paths_of
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.rig import Rig


def level_at_1_khz(level_dbfs: float, frequency_hz: float, rig: Rig) -> float:
    """Return the level that makes at 1 kHz what another one makes at the tone's frequency.

    A path has unity gain at 1 kHz; at the tone's frequency the mean of the rig's paths counts.
    """
    gains = [abs(path.response(np.array([frequency_hz]))[0]) for path in paths_of(rig)]
    return level_dbfs + decibels(float(np.mean(gains)))
