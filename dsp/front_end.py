"""The front of a fast recording: the carrier to the middle, and only what lies around it kept.

Spectrum and demodulation both need no more than 120 kHz on each side of the carrier; what a
receiver of some megahertz holds beyond would cost most of the time.
"""

import math

from carrierfloor.dsp.decimator import Decimator
from carrierfloor.dsp.mixer import Complex, Mixer
from carrierfloor.dsp.spectrum_meter import WIDEST_HZ

LOWEST_RATE_HZ = 400_000.0  # behind it at least: a low-pass with room to fall is a short one


def is_worthwhile(sample_rate_hz: float) -> bool:
    """Tell whether a recording is so fast that a front end saves anything."""
    return sample_rate_hz >= 2.0 * LOWEST_RATE_HZ


class FrontEnd:
    """Mix a stream of IQ down by a fixed frequency and bring its rate down by a whole factor.

    Parameters
    ----------
    sample_rate_hz : float
        Of the stream.
    carrier_hz : float
        Where about the carrier lies.

    Attributes
    ----------
    sample_rate_hz : float
        Of what comes out.
    shift_hz : float
        By which everything lies lower in it.
    """

    def __init__(self, sample_rate_hz: float, carrier_hz: float) -> None:
        factor = max(1, math.floor(sample_rate_hz / LOWEST_RATE_HZ))
        self.sample_rate_hz, self.shift_hz = sample_rate_hz / factor, carrier_hz
        self._mixer = Mixer(sample_rate_hz, carrier_hz)
        self._decimator = Decimator(factor, sample_rate_hz, WIDEST_HZ)

    def process(self, block: Complex) -> Complex:
        """Take the next samples, shape (n,); return those that are ready."""
        return self._decimator.process(self._mixer.process(block, self.shift_hz))

    def finish(self) -> Complex:
        """Return the rest."""
        return self._decimator.finish()
