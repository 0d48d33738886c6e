"""Levels of test signals: dBFS, modulation, and what is refused."""

import math
from dataclasses import replace

import pytest

from carrierfloor import presets
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rig import Level
from carrierfloor.dsp.signal_level import (
    antenna_pct,
    check_antenna,
    level_dbfs,
    modulation_pct,
    peak_of,
)
from carrierfloor.dsp.signals import Tones

RIG = presets.rig("dc-coupled")  # -8 dBFS for 100 %, limits 95 and 150 %, flat
TONE = Tones(frequencies_hz=(1000.0,), sample_rate_hz=48_000)


def test_levels_without_a_rig() -> None:
    assert peak_of(-20.0, None) == pytest.approx(0.1, rel=1e-12)
    assert level_dbfs(-0.5) == pytest.approx(-6.0206, abs=1e-4)


def test_levels_with_a_rig() -> None:
    """50 % is 6.02 dB below full modulation; inverted, a positive sample takes the carrier down."""
    assert level_dbfs(peak_of(50.0, RIG)) == pytest.approx(-14.0206, abs=1e-4)
    inverted = replace(RIG, level=Level(full_modulation_dbfs=-8.0, polarity="inverted"))
    assert peak_of(50.0, inverted) == -peak_of(50.0, RIG)
    assert modulation_pct(peak_of(50.0, inverted), inverted) == pytest.approx(50.0)


def test_full_scale_fits_the_sample_type() -> None:
    """The highest sample of 24 bits is 1 - 2^-23."""
    assert peak_of(0.0, None, sample_step=2.0**-24) == 1.0 - 2.0**-23
    hot = replace(RIG, level=Level(full_modulation_dbfs=0.0, polarity="inverted"))
    assert peak_of(100.0, hot, sample_step=2.0**-24) == -(1.0 - 2.0**-23)


@pytest.mark.parametrize("level", [0.1, 50.0, math.inf, math.nan, -121.0])
def test_what_clips_is_refused(level: float) -> None:
    with pytest.raises(SettingError, match="it must be -120 to 0 dBFS"):
        peak_of(level, None)


@pytest.mark.parametrize("level", [0.0, -20.0, 252.0, math.nan])
def test_modulation_beyond_the_card_is_refused(level: float) -> None:
    """10^(8/20) is 251.19 %."""
    with pytest.raises(SettingError, match=r"the sound card takes 0\.01 to 251\.1 %"):
        peak_of(level, RIG)


def test_the_limits_of_the_rig_are_held() -> None:
    check_antenna(TONE, peak_of(95.0, RIG), RIG)
    with pytest.raises(SettingError, match=r"96\.0 % at the antenna; .*: at most 95 %"):
        check_antenna(TONE, peak_of(96.0, RIG), RIG)


def test_a_resonance_counts() -> None:
    """A second-order high-pass has the gain q at its corner: 1.5 at 40 Hz, times 1.0 at 1 kHz.

    The 5 kHz low-pass of that rig, q 2, has 1 / sqrt((1 - r)^2 + r / 4) with r = (f / 5000)^2.
    """
    rig = presets.rig("no-headroom")
    low = Tones(frequencies_hz=(40.0,), sample_rate_hz=48_000)

    def low_pass(hz: float) -> float:
        r = (hz / 5000.0) ** 2
        return 1.0 / math.sqrt((1.0 - r) ** 2 + r / 4.0)

    r = (1000.0 / 40.0) ** 2
    high_pass_at_1_khz = r / math.sqrt((r - 1.0) ** 2 + r / 2.25)
    expected = 1.5 * low_pass(40.0) / (low_pass(1000.0) * high_pass_at_1_khz)
    assert antenna_pct(low, peak_of(50.0, rig), rig) == pytest.approx(50.0 * expected, rel=1e-9)
    with pytest.raises(SettingError, match="at most") as refused:
        check_antenna(low, peak_of(80.0, rig), rig)
    advised = float(str(refused.value).split("at most ")[1].removesuffix(" %"))
    check_antenna(low, peak_of(advised, rig), rig)
