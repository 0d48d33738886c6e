"""What check says of a rig file when the transmitter is another, and what it changes in it."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
import soundfile as sf

from carrierfloor.cli.main import main
from carrierfloor.dsp.rig import rig_from_table
from tests.checked import checked
from tests.cli.files import refusal
from tests.cli.on_the_air import RATE_HZ, limited, on_the_air, rig_file, rig_text, truth


@pytest.mark.parametrize(
    ("fault", "what", "key", "right"),
    [
        ({"level_dbfs": -7.0}, "level", "full_modulation_dbfs", -7.0),
        ({"level_dbfs": -5.0}, "level", "full_modulation_dbfs", -5.0),
        ({"polarity": "inverted"}, "polarity", "polarity", "inverted"),
        ({"corner_hz": 60.0}, "margin", "negative_margin_pct", None),
    ],
)
def test_the_verdict_corrects_the_rig_file(
    played: Path, tmp_path: Path, fault: dict[str, Any], what: str, key: str, right: Any
) -> None:
    """Audio that was limited for one transmitter goes out through another."""
    true = rig_file(tmp_path / "true.toml", **fault)
    recording = on_the_air(played, tmp_path, "--carrier-to-noise", "55", rig=true)
    mine = rig_file(tmp_path / "mine.toml")
    found = checked(recording, "--rig", str(mine), "--apply")
    assert found["verdict"]["what"] == what
    (changes,) = [one for one in found["verdict"]["corrections"] if one["key"] == key]
    assert found["verdict"]["written"] is True
    assert Path(found["verdict"]["backup"]).read_text("utf-8") == rig_text()
    text = mine.read_text("utf-8")
    assert "# my transmitter" in text
    assert key in text
    if isinstance(right, float):
        assert changes["new"] == pytest.approx(right, abs=0.06)
    elif right is not None:
        assert changes["new"] == right
    else:
        assert 1.0 < changes["new"] < 10.0


def test_a_recording_corrects_a_rig_file_once(
    played: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It was made with the rig file of before, so it would ask for as much again."""
    true = rig_file(tmp_path / "true.toml", level_dbfs=-7.0)
    recording = on_the_air(played, tmp_path, "--carrier-to-noise", "55", rig=true)
    mine = rig_file(tmp_path / "mine.toml")
    first = checked(recording, "--rig", str(mine), "--apply")
    assert not any("this very recording" in note for note in first["notes"])
    text = mine.read_text("utf-8")
    assert "is in it already" in refusal(
        capsys, "check", str(recording), "--rig", str(mine), "--apply"
    )
    assert mine.read_text("utf-8") == text
    found = checked(recording, "--rig", str(mine))
    assert any("this very recording" in note for note in found["notes"])


def test_a_margin_that_was_applied_is_enough(tmp_path: Path, played: Path) -> None:
    """The same transmitter again, with audio limited for the corrected rig file."""
    true = rig_file(tmp_path / "true.toml", corner_hz=55.0)
    mine = rig_file(tmp_path / "mine.toml")
    first = on_the_air(played, tmp_path, "--carrier-to-noise", "60", rig=true)
    assert checked(first, "--rig", str(mine), "--apply")["verdict"]["keeps"] is False
    again = tmp_path / "again.wav"
    corrected = rig_from_table(tomllib.loads(mine.read_text("utf-8")), "mine")
    sf.write(again, limited(corrected), RATE_HZ, subtype="FLOAT")
    second = on_the_air(again, tmp_path, "--carrier-to-noise", "60", rig=true)
    assert checked(second, "--rig", str(mine))["verdict"]["keeps"] is True


def test_a_signal_that_fades_is_followed_and_changes_no_rig_file(
    played: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = on_the_air(played, tmp_path, "--fading-db", "15", "--carrier-to-noise", "55")
    mine = rig_file(tmp_path / "mine.toml")
    found = checked(recording, "--rig", str(mine))
    true, modulation = truth(tmp_path)["modulation"], found["modulation"]
    assert modulation["follows_fading"] is True
    assert found["carrier"]["shift_db"] is None
    assert modulation["positive_peak_pct"] == pytest.approx(true["positive_peak_pct"], abs=1.5)
    assert modulation["negative_peak_pct"] == pytest.approx(true["negative_peak_pct"], abs=1.5)
    assert any("under half of its usual height" in note for note in found["notes"])
    assert main(["check", str(recording), "--rig", str(mine), "--apply"]) == 2
    assert "fades" in capsys.readouterr().err
    assert mine.read_text("utf-8") == rig_text()
