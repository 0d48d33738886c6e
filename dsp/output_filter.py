"""The filter that fits the limiter's output into a low sample rate.

A smooth gain widens the spectrum a little; at 48 kHz there is room for it, at 8 kHz the
resampler would cut it off and let peaks grow back.  So the cut is made here, by a filter that
the limiter holds in its model, and the resampler finds nothing left to remove.
"""

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.biquad import digital_response
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

ROOMY_HZ = 12_000.0  # outputs that carry this much need no filter
PASS_PART = 0.9  # of what the output carries
RIPPLE_DB = 0.02
STOP_DB = 80.0


def output_filter(highest_hz: float) -> NDArray[np.float64]:
    """Design an elliptic low-pass, shape (n, 5): b0, b1, b2, a1, a2; none for a roomy output.

    Parameters
    ----------
    highest_hz : float
        The highest frequency that the output can carry.
    """
    if highest_hz >= ROOMY_HZ:
        return np.zeros((0, 5))
    from scipy import signal  # a second to import, and rarely needed

    edges = (PASS_PART * highest_hz, highest_hz)
    order, corner = signal.ellipord(*edges, RIPPLE_DB, STOP_DB, fs=SAMPLE_RATE_HZ)
    rows = signal.ellip(order, RIPPLE_DB, STOP_DB, corner, output="sos", fs=SAMPLE_RATE_HZ)
    return np.delete(rows, 3, axis=1)


def delay_samples(sections: NDArray[np.float64], frequency_hz: float = 1000.0) -> int:
    """Return the group delay of sections at a frequency, to the nearest sample at 48 kHz."""
    around_hz = frequency_hz + np.array([-1.0, 1.0])
    before, after = digital_response(sections, around_hz)
    width = 2.0 * np.pi * (around_hz[1] - around_hz[0]) / SAMPLE_RATE_HZ
    return round(float(-np.angle(after / before) / width))
