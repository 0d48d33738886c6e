"""The spectrum of a recorded transmission on both sides of its carrier.

All figures are relative to the *unmodulated* carrier (dBc).  Powers of bins add up; a *level* is
what an analyser of the stated resolution shows: a sine reads its own power, noise reads its power
within the resolution's noise bandwidth.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.emission import FLOOR_DBC
from carrierfloor.dsp.spectral_window import NOISE_BINS, RESOLUTION_BINS
from carrierfloor.dsp.stage import Block

QUIETEST_PART = 0.25  # of all bins are taken to hold nothing but noise


@dataclass(frozen=True, kw_only=True)
class RfSpectrum:
    """Power beside a carrier, which has power 1 without modulation; all arrays have shape (n,).

    ``shared_power`` is what the two sidebands have in common: X(f) X(-f), turned back by the
    carrier's phase and averaged.  The sidebands of amplitude modulation mirror each other, so it
    is their power; noise, other stations and the receiver's own lines average out of it, and phase
    modulation counts negative.  It is 0 where one side was not recorded.
    """

    offset_hz: Block  # from the carrier, rising; negative: lower sideband
    mean_power: Block  # adds up to the mean power
    peak_power: Block  # highest of any segment
    shared_power: Block
    usable: NDArray[np.bool_]  # false for what is the receiver's own doing
    bin_hz: float
    duration_s: float  # of what was averaged
    segments: int  # of them

    @property
    def resolution_hz(self) -> float:
        """Width of the analysing filter between the points 3 dB down."""
        return RESOLUTION_BINS * self.bin_hz

    @property
    def noise_bandwidth_hz(self) -> float:
        """Width of the rectangle that lets as much noise through as the analysing filter."""
        return NOISE_BINS * self.bin_hz

    @property
    def mean_dbc(self) -> Block:
        """Mean level of each bin."""
        return levels_dbc(NOISE_BINS * self.mean_power)

    @property
    def peak_dbc(self) -> Block:
        """Highest level of each bin: peak hold."""
        return levels_dbc(NOISE_BINS * self.peak_power)

    def noise_density(self) -> float:
        """Return the noise in a hertz: what the quietest bins hold, 0 if there are none."""
        held = self.mean_power[self.usable]
        return float(np.quantile(held, QUIETEST_PART)) / self.bin_hz if len(held) else 0.0

    def without(self, ranges_hz: Sequence[tuple[float, float]]) -> "RfSpectrum":
        """Return the same spectrum with ranges that are neither counted nor judged."""
        usable = self.usable.copy()
        for low_hz, high_hz in ranges_hz:
            usable &= (self.offset_hz < low_hz) | (self.offset_hz > high_hz)
        return replace(self, usable=usable)

    def mirrored(self) -> "RfSpectrum":
        """Return the same spectrum with what both sidebands share in place of the mean power."""
        return replace(self, mean_power=self.shared_power)


def levels_dbc(power: Block) -> Block:
    """Return powers over the carrier's in dB, FLOOR_DBC where there is none."""
    return np.asarray(10.0 * np.log10(np.maximum(power, 10.0 ** (FLOOR_DBC / 10.0))))
