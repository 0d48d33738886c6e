"""Levels of test signals: in dBFS or in modulation of a rig, and never more than either takes."""

import math

from carrierfloor.dsp.antenna import paths_of
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.signals import Signal

LOWEST_DBFS, LOWEST_PCT = -120.0, 0.01
ROUNDING = 1e-9  # a level that is right on a limit keeps it


def peak_of(level: float, rig: Rig | None, sample_step: float = 0.0) -> float:
    """Return the sample value of a level, with sign.

    Parameters
    ----------
    level : float
        Without a rig the peak in dBFS; with one in % modulation at 1 kHz.
    rig : Rig or None
        Its level and polarity say which sample makes 100 %.
    sample_step : float
        Largest error of a stored sample: full scale is that much less, twice to be sure.

    Raises
    ------
    SettingError
        If the sound card would clip, or the level is none.
    """
    highest = 1.0 - 2.0 * sample_step
    if rig is None:
        if not LOWEST_DBFS <= level <= 0.0:
            raise SettingError(
                f"level is {level:g} dBFS; it must be {LOWEST_DBFS:g} to 0 dBFS "
                "(with --rig it is in % modulation)"
            )
        return min(float(10.0 ** (level / 20.0)), highest)
    full = rig.level.sample_at_full_modulation
    highest_pct = 100.0 / abs(full)
    if not LOWEST_PCT <= level <= highest_pct + ROUNDING:
        raise SettingError(
            f"level is {level:g} % modulation; at {rig.level.full_modulation_dbfs:g} dBFS for "
            f"100 % the sound card takes {LOWEST_PCT:g} to {_down(highest_pct)} %"
        )
    return max(-highest, min(level / 100.0 * full, highest))


def level_dbfs(peak: float) -> float:
    """Return a sample value in dB re full scale."""
    return 20.0 * math.log10(abs(peak))


def modulation_pct(peak: float, rig: Rig) -> float:
    """Return the modulation that a sample value makes at 1 kHz."""
    return 100.0 * peak / rig.level.sample_at_full_modulation


def antenna_pct(signal: Signal, peak: float, rig: Rig) -> float:
    """Return the highest modulation, either way, that a signal makes on any path of a rig."""
    gain = max(signal.peak_after(path) for path in paths_of(rig))
    return gain * abs(modulation_pct(peak, rig))


def limit_pct(rig: Rig) -> float:
    """Return the lower limit of a rig; a test signal swings as far both ways."""
    return min(rig.modulation.negative_limit_pct, rig.modulation.positive_limit_pct)


def check_antenna(signal: Signal, peak: float, rig: Rig) -> None:
    """Refuse a signal that would break a limit of the rig at the antenna.

    Raises
    ------
    SettingError
        Says what it would make, what is allowed and which level would do.
    """
    reached, allowed = antenna_pct(signal, peak, rig), limit_pct(rig)
    if reached > allowed * (1.0 + ROUNDING):
        level = modulation_pct(peak, rig)
        raise SettingError(
            f"level is {level:g} % modulation at 1 kHz, which makes {reached:.1f} % at the "
            f"antenna; the rig allows {allowed:g} %: at most {_down(level * allowed / reached)} %"
        )


def _down(pct: float) -> str:
    """Round down to one decimal, so that what is advised is allowed."""
    return f"{math.floor(10.0 * pct + ROUNDING) / 10.0:g}"
