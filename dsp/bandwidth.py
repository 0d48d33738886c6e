"""How wide a transmission is, by each of the definitions that rules use.

They differ widely for amplitude modulation, whose carrier holds most of the power: 99 % of the
power of a carrier with 10 % rms of modulation is the carrier line alone.  A bin's power counts as
spread evenly over it; bins that are not usable count as empty.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.emission import OCCUPIED_SHARE
from carrierfloor.dsp.rf_spectrum import RfSpectrum
from carrierfloor.dsp.spectral_window import LOBE_BINS
from carrierfloor.dsp.stage import Block

# 47 CFR 97.3(a)(8): outside, the mean power is 26 dB below that inside.
DOWN_DB = 26.0
OUTSIDE_SHARE = 1.0 / (1.0 + 10.0 ** (DOWN_DB / 10.0))  # of the total, both sides together
LEAST_GUARD_HZ = 25.0  # on each side of the carrier belongs to its line; no voice is so low
LEAST_SIDEBANDS = 1e-5  # of the carrier's power; -50 dBc is 0.45 % of modulation
AT_THE_END = 0.01  # of the width looked at: even noise has its 99 % edges no nearer than half this


@dataclass(frozen=True, kw_only=True)
class Bandwidth:
    """Where a transmission begins and ends, as offsets from the carrier."""

    lower_hz: float
    upper_hz: float
    reaches_lower_end: bool  # of what was recorded, or looked at: it may be wider
    reaches_upper_end: bool

    @property
    def width_hz(self) -> float:
        """From the lower to the upper edge."""
        return self.upper_hz - self.lower_hz

    @property
    def is_whole(self) -> bool:
        """Whether both edges lie inside what was looked at."""
        return not (self.reaches_lower_end or self.reaches_upper_end)


def occupied(
    spectrum: RfSpectrum, within_hz: float = math.inf, share: float = OCCUPIED_SHARE
) -> Bandwidth | None:
    """Return the occupied bandwidth: half of ``share`` of the mean power lies beyond each edge.

    47 CFR 2.202(a) and ITU Radio Regulations 1.153, with a share of 1 %; the carrier counts.

    Parameters
    ----------
    spectrum : RfSpectrum
        Of a resolution much finer than the bandwidth.
    within_hz : float
        Nothing farther from the carrier counts: there are others on the air.
    share : float
        Of the power, left out on both sides together.

    Returns
    -------
    Bandwidth or None
        ``None`` if there is no power.
    """
    near = np.abs(spectrum.offset_hz) <= within_hz
    return _edges(spectrum, near & spectrum.usable, near, share)


def power_ratio_26_db(spectrum: RfSpectrum, within_hz: float = math.inf) -> Bandwidth | None:
    """Return the width outside which the mean power is 26 dB below that within.

    47 CFR 97.3(a)(8), read as a ratio of powers: 0.25056 % of the total, half of it on each side.
    """
    return occupied(spectrum, within_hz, OUTSIDE_SHARE)


def sidebands_occupied(
    spectrum: RfSpectrum, within_hz: float = math.inf, share: float = OCCUPIED_SHARE
) -> Bandwidth | None:
    """Return the occupied bandwidth of the sidebands alone, the carrier's line left out.

    ``None`` if they hold less than -50 dBc.
    """
    near = np.abs(spectrum.offset_hz) <= within_hz
    sidebands = near & spectrum.usable & (np.abs(spectrum.offset_hz) > carrier_guard_hz(spectrum))
    if spectrum.mean_power[sidebands].sum() < LEAST_SIDEBANDS:
        return None
    return _edges(spectrum, sidebands, near, share)


def below_maximum(
    spectrum: RfSpectrum, down_db: float = DOWN_DB, hold: bool = False, within_hz: float = math.inf
) -> Bandwidth | None:
    """Return the outermost places where the level is ``down_db`` below its maximum.

    47 CFR 97.3(a)(8) read as a spectral level; Canada's RIC-2 says "maximum amplitude".  The
    maximum is the carrier's line, and the level beside it depends on the resolution.

    Parameters
    ----------
    spectrum : RfSpectrum
        Its resolution matters.
    down_db : float
        As a positive number.
    hold : bool
        Take the highest levels in place of the mean.
    within_hz : float
        Nothing farther from the carrier counts.
    """
    near = np.abs(spectrum.offset_hz) <= within_hz
    return _outermost(spectrum, near, near & spectrum.usable, down_db, hold)


def below_sidebands(
    spectrum: RfSpectrum, down_db: float = DOWN_DB, hold: bool = False, within_hz: float = math.inf
) -> Bandwidth | None:
    """Return the outermost places where the level is ``down_db`` below the highest sideband's.

    As :func:`below_maximum` with the carrier's line left out; ``None`` if the sidebands hold less
    than -50 dBc.
    """
    near = np.abs(spectrum.offset_hz) <= within_hz
    sidebands = near & spectrum.usable & (np.abs(spectrum.offset_hz) > carrier_guard_hz(spectrum))
    if spectrum.mean_power[sidebands].sum() < LEAST_SIDEBANDS:
        return None
    return _outermost(spectrum, near, sidebands, down_db, hold)


def carrier_guard_hz(spectrum: RfSpectrum) -> float:
    """Return how far from the carrier its own line reaches."""
    return max(LEAST_GUARD_HZ, (LOBE_BINS + 0.5) * spectrum.bin_hz)


def _edges(
    spectrum: RfSpectrum, wanted: NDArray[np.bool_], near: NDArray[np.bool_], share: float
) -> Bandwidth | None:
    """Go in from both ends until half of the share of the power lies behind."""
    offset_hz = spectrum.offset_hz[near]
    power = np.where(wanted, spectrum.mean_power, 0.0)[near]
    target = share / 2.0 * float(power.sum())
    if not target > 0.0:
        return None
    half = spectrum.bin_hz / 2.0
    lower_hz = offset_hz[0] - half + spectrum.bin_hz * _bins_until(power, target)
    upper_hz = offset_hz[-1] + half - spectrum.bin_hz * _bins_until(power[::-1], target)
    return _bandwidth(lower_hz, upper_hz, offset_hz)


def _bins_until(power: Block, target: float) -> float:
    """Return how many bins from the beginning first hold the target together."""
    held = np.cumsum(power)
    at = int(np.argmax(held >= target))
    return at + 1.0 - (float(held[at]) - target) / float(power[at])


def _outermost(
    spectrum: RfSpectrum,
    near: NDArray[np.bool_],
    wanted: NDArray[np.bool_],
    down_db: float,
    hold: bool,
) -> Bandwidth | None:
    level_db = spectrum.peak_dbc if hold else spectrum.mean_dbc
    if not wanted.any():
        return None
    threshold_db = float(level_db[wanted].max()) - down_db
    above = np.flatnonzero(wanted & (level_db >= threshold_db))
    edges = []
    for at, outward in ((int(above[0]), -1), (int(above[-1]), 1)):
        beyond = at + outward
        further = 0.0
        if 0 <= beyond < len(level_db) and near[beyond]:
            fall_db = float(level_db[at] - level_db[beyond])
            further = (float(level_db[at]) - threshold_db) / fall_db if fall_db > 0.0 else 0.0
        edges.append(float(spectrum.offset_hz[at]) + outward * min(1.0, further) * spectrum.bin_hz)
    return _bandwidth(edges[0], edges[1], spectrum.offset_hz[near])


def _bandwidth(lower_hz: float, upper_hz: float, offset_hz: Block) -> Bandwidth:
    slack_hz = AT_THE_END * float(offset_hz[-1] - offset_hz[0])
    return Bandwidth(
        lower_hz=float(lower_hz),
        upper_hz=float(upper_hz),
        reaches_lower_end=bool(lower_hz <= offset_hz[0] + slack_hz),
        reaches_upper_end=bool(upper_hz >= offset_hz[-1] - slack_hz),
    )
