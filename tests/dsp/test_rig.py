"""The rig document and its refusals."""

import tomllib
from typing import Any

import pytest

from carrierfloor import presets
from carrierfloor.dsp.carrier import pep_w
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rig import rig_from_table
from carrierfloor.dsp.sections import Section

EXAMPLE = """
name = "example"
[carrier]
power_w = 180
pep_limit_w = 1500.0
[plate]
supply_v = 1000.0
current_a = 0.24
[modulation]
negative_limit_pct = 95.0
[level]
polarity = "inverted"
[[paths]]
name = "80 m"
  [[paths.sections]]
  kind = "highpass"
  corner_hz = 40.0
  q = 0.7
[[paths]]
"""


def test_a_whole_file() -> None:
    rig = rig_from_table(tomllib.loads(EXAMPLE), "my.toml")
    assert rig.carrier is not None
    assert rig.carrier.power_w == 180.0
    assert rig.modulation.positive_limit_pct == 125.0  # the default
    assert rig.level.sample_at_full_modulation == pytest.approx(-(10**-0.3))
    assert [path.name for path in rig.paths] == ["80 m", "path 2"]
    assert rig.paths[0].sections == (Section(kind="highpass", corner_hz=40.0, q=0.7),)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"antenna": {}}, "my.toml: antenna is not a known key; known keys: name, description,"),
        ({"carrier": 180}, "my.toml: carrier must be a table, headed [carrier]"),
        ({"carrier": {}}, "my.toml: carrier: power_w is missing; it must be 0.001 to 1000000 W"),
        (
            {"modulation": {"negative_limit_pct": 100}},
            "my.toml: modulation: negative_limit_pct is 100 %; it must be 50 to 99.5 %",
        ),
        (
            {"level": {"polarity": "upside down"}},
            "my.toml: level: polarity is 'upside down'; it must be one of: normal, inverted",
        ),
        ({"paths": 1}, "my.toml: paths must be a list of tables, each headed [[paths]]"),
        (
            {"paths": [{"sections": {}}]},
            "my.toml: path 1: sections must be a list of tables, each headed [[paths.sections]]",
        ),
        ({"paths": [{"name": 80}]}, "my.toml: path 1: name is 80; it must be text in quotes"),
        (
            {"paths": [{"sections": [{"kind": "highpass"}]}]},
            "my.toml: path 1: section 1: highpass: corner_hz is missing",
        ),
        (
            {"paths": [{}, {"sections": [{"kind": "notch", "corner_hz": 1}]}]},
            "my.toml: path 2: section 1: kind is 'notch'; it must be one of: highpass, lowpass,",
        ),
        (
            {"paths": [{"sections": [{"kind": "lowpass", "corner_hz": 5e3, "gain_db": 1}]}]},
            "my.toml: path 1: section 1: lowpass: gain_db does not belong to a lowpass",
        ),
        (
            {"paths": [{"sections": [{"kind": "lowpass", "corner_hz": 0}]}]},
            "my.toml: path 1: section 1: corner_hz is 0 Hz; it must be 0.1 to 30000 Hz",
        ),
    ],
)
def test_refusals_name_file_key_value_and_range(change: dict[str, Any], message: str) -> None:
    with pytest.raises(SettingError) as refusal:
        rig_from_table({"name": "r", **change}, "my.toml")
    assert str(refusal.value).startswith(message)
    assert "\n" not in str(refusal.value)


def test_limits_can_be_changed_within_their_range() -> None:
    rig = presets.rig().with_limits(negative_limit_pct=90.0)
    assert rig.modulation.negative_limit_pct == 90.0
    assert rig.modulation.positive_limit_pct == 125.0
    with pytest.raises(
        SettingError, match=r"negative_limit_pct is 99\.9 %; it must be 50 to 99\.5"
    ):
        presets.rig().with_limits(negative_limit_pct=99.9)


@pytest.mark.parametrize("name", presets.names("rigs"))
def test_shipped_rigs_keep_to_their_licence_limit(name: str) -> None:
    rig = presets.rig(name)
    assert rig.carrier is not None
    assert rig.carrier.pep_limit_w is not None
    crest = rig.modulation.positive_limit_pct / 100.0
    assert pep_w(rig.carrier.power_w, crest) <= rig.carrier.pep_limit_w
