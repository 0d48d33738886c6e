"""Emission masks against the numbers of 47 CFR 73.44(b), and refusals of senseless ones."""

import math
import tomllib
from typing import Any

import numpy as np
import pytest

from carrierfloor import presets
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mask import Mask, mask_from_table


def limit(mask: Mask, offset_hz: float, power_w: float | None = None) -> float:
    return float(mask.limit_db(np.array([offset_hz]), power_w)[0])


@pytest.mark.parametrize(
    ("offset_hz", "below_db"),
    [(10_200.0, 25.0), (15_000.0, 25.0), (25_000.0, 35.0), (30_000.0, 35.0), (45_000.0, 50.0),
     (60_000.0, 65.0), (70_000.0, 65.0)],
)  # fmt: skip
def test_broadcast_mask(offset_hz: float, below_db: float) -> None:
    """47 CFR 73.44(b): 30 to 60 kHz 5 + 1 dB/kHz, so 45 kHz 50 dB, 30 kHz 35, 60 kHz 65."""
    mask = presets.mask("am-broadcast")
    for side in (-1.0, 1.0):
        assert limit(mask, side * offset_hz) == pytest.approx(below_db)
    assert math.isnan(limit(mask, 10_000.0))


@pytest.mark.parametrize(
    ("power_w", "below_db"),
    [(100.0, 65.0), (157.9, 65.0), (158.0, 64.99), (300.0, 67.77), (5000.0, 79.99), (50e3, 80.0)],
)
def test_broadcast_mask_beyond_75_khz(power_w: float, below_db: float) -> None:
    """The lesser of 43 + 10 lg W and 80 dB; 65 dB below 158 W, where the formula gives 64.99."""
    mask = presets.mask("am-broadcast")
    assert limit(mask, 80_000.0, power_w) == pytest.approx(below_db, abs=0.005)
    assert math.isnan(limit(mask, 80_000.0))


def test_broadcast_mask_is_measured_as_its_rule_says() -> None:
    """47 CFR 73.44(a): peak hold over ten minutes, resolution 300 Hz."""
    measured = presets.mask("am-broadcast").measured
    assert (measured.resolution_hz, measured.hold, measured.hold_s) == (300.0, "peak", 600.0)
    assert measured.status == "published"


def test_telephony_curve_is_marked_as_from_memory() -> None:
    """0 dB at half the bandwidth, -20 at 0.7 of it, then 12 dB an octave; all from memory."""
    mask = presets.mask("a3e-telephony")
    assert mask.measured.status == "from memory"
    assert "from memory" in mask.source
    for offset_hz, below_db in ((3000.0, 0.0), (4200.0, 20.0), (8400.0, 32.0), (16_800.0, 44.0)):
        assert limit(mask, offset_hz) == pytest.approx(below_db, abs=1e-3)


def test_every_shipped_mask_names_its_source() -> None:
    assert presets.names("masks") == ["a3e-telephony", "am-broadcast"]
    for name in presets.names("masks"):
        mask = presets.mask(name)
        assert mask.source
        assert mask.description


def test_the_stricter_limit_holds_where_two_meet() -> None:
    assert limit(presets.mask("am-broadcast"), 20_000.0) == 35.0


def table(toml: str) -> Any:
    return tomllib.loads('name = "m"\n' + toml)


def test_a_users_mask_of_points() -> None:
    mask = mask_from_table(
        table(
            "[[points]]\noffset_hz = 5000\nbelow_db = 20\n[[points]]\noffset_hz = 10000\n"
            "below_db = 40\n[[points]]\noffset_hz = 20000\nbelow_db = 40\n"
        ),
        "my.toml",
    )
    assert limit(mask, 7500.0) == pytest.approx(30.0)
    assert limit(mask, -15_000.0) == pytest.approx(40.0)
    assert math.isnan(limit(mask, 20_001.0))
    assert mask.measured.status == "own"


ONE = "[[segments]]\nfrom_hz = 5000\n"


@pytest.mark.parametrize(
    ("toml", "message"),
    [
        ("", r"my.toml: a mask needs either \[\[segments\]\] or \[\[points\]\]"),
        (ONE, "segment 1: a segment needs one of below_db and power_db"),
        (ONE + "below_db = 3\npower_db = 3", "needs one of below_db and power_db"),
        (ONE + "below_db = 3\nto_hz = 4000", "to_hz is 4000 Hz; it must be above from_hz, 5000 Hz"),
        (ONE + "below_db = 3\nbelow_db_at_end = 9", "below_db_at_end needs below_db and to_hz"),
        (ONE + "below_db = 3\nmost_db = 9", "most_db and small_power_w need power_db"),
        (ONE + "power_db = 3\nsmall_power_w = 9", "need each other"),
        (ONE + "below_db = 900", "below_db is 900 dB; it must be -30 to 200 dB"),
        (ONE + "belowdb = 9", "belowdb is not a known key; did you mean below_db?"),
        (ONE + "below_db = 'x'", "below_db is 'x'; it must be a number"),
        (ONE + "below_db = 3\n" + ONE + "below_db = 3", "put them in order without overlap"),
        ("[[points]]\noffset_hz = 1\nbelow_db = 3", "needs two of them at least"),
        ("[[points]]\noffset_hz = 1\n" * 2, "point 1: below_db is missing"),
        ("hold = 'max'\n" + ONE + "below_db = 3", "hold is 'max'; it must be one of: peak, mean"),
        ("reference = 'sidebands'\n" + ONE + "below_db = 3", "need each other"),
        ("axis = 'logarithmic'\n[[segments]]\nfrom_hz = 0\nbelow_db = 3", "it must be above"),
        ("limit = 3\n" + ONE + "below_db = 3", "limit is not a known key"),
        ("segments = 3", "must be a list of tables"),
    ],
)  # fmt: skip
def test_refusals(toml: str, message: str) -> None:
    with pytest.raises(SettingError, match=message) as refused:
        mask_from_table(table(toml), "my.toml")
    assert "my.toml" in str(refused.value)
