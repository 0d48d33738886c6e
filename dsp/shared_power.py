"""How much power beyond an offset belongs to this transmission, and how well that is known.

Both sidebands of amplitude modulation mirror each other, so what they have in common is its own.
Of noise of mean power p in a bin, the product of two bins has mean zero and a standard deviation of
p / sqrt(2) in its real part, less by the square root of the segments averaged.
"""

import numpy as np

from carrierfloor.dsp.rf_spectrum import RfSpectrum

# Segments overlap by three quarters under a window as narrow as Blackman and Harris's: about this
# part of them is new.
NEW_PART = 0.5
LINE_DB = 6.0  # over what lies beside it


def shared_beyond(spectrum: RfSpectrum, offset_hz: float) -> tuple[float, float]:
    """Return the shared power of both sides beyond an offset, and its standard error.

    Parameters
    ----------
    spectrum : RfSpectrum
        Of a recording.
    offset_hz : float
        From the carrier; both are 0 where the recording does not hold both sides beyond it.
    """
    top_hz = min(-spectrum.offset_hz[0], spectrum.offset_hz[-1])
    away_hz = np.abs(spectrum.offset_hz)
    wanted = (away_hz > offset_hz) & (away_hz <= top_hz) & spectrum.usable
    if not wanted.any():
        return 0.0, 0.0
    power = float(spectrum.shared_power[wanted].sum())
    own = np.maximum(spectrum.mean_power[wanted], 0.0)
    # The bins of both sides are the same product; neighbouring ones are alike under the window.
    squares = 2.0 * float(np.square(own).sum()) * spectrum.noise_bandwidth_hz / spectrum.bin_hz
    segments = max(1.0, NEW_PART * spectrum.segments)
    return power, float(np.sqrt(squares / 2.0 / segments))


def has_line(spectrum: RfSpectrum, at_hz: float, reach_hz: float) -> bool:
    """Tell whether a line stands out at an offset, over what lies up to twice its reach away."""
    away_hz = np.abs(spectrum.offset_hz - at_hz)
    near = spectrum.mean_dbc[away_hz <= reach_hz / 2.0]
    beside = spectrum.mean_dbc[(away_hz > reach_hz) & (away_hz <= 2.0 * reach_hz)]
    if not len(near) or not len(beside):
        return False
    return bool(near.max() > beside.max() + LINE_DB)
