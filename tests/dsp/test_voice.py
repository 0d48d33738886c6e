"""The voice document and its refusals."""

from typing import Any

import pytest

from carrierfloor import presets
from carrierfloor.dsp.drive import DriveDesign
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.voice import Voice, voice_from_table


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({}, 'my.toml: name is missing; write name = "..." at the top'),
        ({"name": 3}, "my.toml: name is 3; it must be text in quotes"),
        ({"name": "v", "stage": []}, "my.toml: stage is not a known key; did you mean stages?"),
        ({"name": "v", "stages": {}}, "my.toml: stages must be a list of tables, each headed"),
        ({"name": "v", "stages": [{}]}, 'my.toml: stage 1 has no kind; write kind = "..." in it'),
        (
            {"name": "v", "stages": [{"kind": "driver"}]},
            "my.toml: stage kind 'driver' is not known; known kinds: condition, tone,",
        ),
        (
            {"name": "v", "stages": [{"kind": "drive", "drive_db": 99}]},
            "my.toml: stage 1 (drive): drive_db is 99 dB; it must be -20 to 40 dB",
        ),
        (
            {"name": "v", "stages": [{"kind": "drive", "drive_db": "12"}]},
            "my.toml: stage 1 (drive): drive_db is '12'; it must be a number (-20 to 40 dB)",
        ),
        (
            {"name": "v", "stages": [{"kind": "drive", "drive_db": True}]},
            "my.toml: stage 1 (drive): drive_db is True; it must be a number (-20 to 40 dB)",
        ),
        (
            {"name": "v", "stages": [{"kind": "drive", "drive_db": float("nan")}]},
            "my.toml: stage 1 (drive): drive_db is nan dB; it must be -20 to 40 dB",
        ),
        (
            {"name": "v", "stages": [{"kind": "drive", "drive": 1.0}]},
            "my.toml: stage 1 (drive): drive is not a known key; did you mean drive_db?",
        ),
        (
            {"name": "v", "stages": [{"kind": "polarity", "mode": "up"}]},
            "my.toml: stage 1 (polarity): mode is 'up'; it must be one of: ",
        ),
    ],
)
def test_refusals_name_file_key_value_and_range(table: dict[str, Any], message: str) -> None:
    with pytest.raises(SettingError) as refusal:
        voice_from_table(table, "my.toml")
    assert str(refusal.value).startswith(message)
    assert "\n" not in str(refusal.value)


def test_whole_numbers_are_numbers() -> None:
    voice = voice_from_table({"name": "v", "stages": [{"kind": "drive", "drive_db": 3}]}, "f")
    assert voice.stages == (DriveDesign(drive_db=3.0),)


def test_python_settings_are_checked_too() -> None:
    with pytest.raises(SettingError, match="drive: drive_db is 41 dB; it must be -20 to 40 dB"):
        DriveDesign(drive_db=41.0)


def test_drive_can_be_changed_where_there_is_one() -> None:
    voice = Voice(name="v", stages=(DriveDesign(),)).with_drive(3.0)
    assert voice.stages == (DriveDesign(drive_db=3.0),)
    with pytest.raises(SettingError, match="voice 'none' has no drive stage"):
        Voice(name="none").with_drive(3.0)


def test_unwise_orders_are_allowed_with_a_warning() -> None:
    rows = [{"kind": "low_pass"}, {"kind": "clipper"}]
    warnings = voice_from_table({"name": "v", "stages": rows}, "f").warnings
    assert [warning.partition(" splatters")[0] for warning in warnings] == [
        "a clipper with no low_pass after it",
        "a clipper with no sub_audio after it moves the baseline",
    ]


@pytest.mark.parametrize("name", presets.names("voices"))
def test_shipped_voices_have_no_warning(name: str) -> None:
    voice = presets.voice(name)
    assert voice.warnings == ()
    assert voice.description


def test_unknown_voice_lists_what_there_is() -> None:
    with pytest.raises(SettingError, match=r"voice 'loud' is not known; shipped voices: bypass, "):
        presets.voice("loud")
