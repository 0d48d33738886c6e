"""The command check on whole recordings: loops closed with simulate, whose truth is known."""

import csv
import io
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
from matplotlib.image import imread
from rich.console import Console

from carrierfloor.cli.check_report import KEYS
from carrierfloor.cli.check_view import show
from carrierfloor.cli.main import main
from carrierfloor.dsp.rig import rig_from_table
from tests.checked import checked
from tests.cli.on_the_air import RATE_HZ, limited, on_the_air, rig_file, rig_text, truth


def leaves(report: dict[str, Any], head: str = "") -> Iterator[str]:
    for key, value in report.items():
        if isinstance(value, dict):
            yield from leaves(value, f"{head}{key}.")
        else:
            yield f"{head}{key}"


def test_what_check_says_of_limited_speech(played: Path, tmp_path: Path) -> None:
    """simulate knows the truth; a carrier 50 dB over the noise in 10 kHz."""
    recording = on_the_air(played, tmp_path, "--carrier-to-noise", "50")
    rig = rig_file(tmp_path / "mine.toml")
    found = checked(recording, "--rig", str(rig))
    true, modulation = truth(tmp_path), found["modulation"]
    for key in ("positive_peak_pct", "negative_peak_pct"):
        assert modulation[key] == pytest.approx(true["modulation"][key], abs=0.8)
    assert modulation["density_pct"] == pytest.approx(true["modulation"]["density_pct"], rel=0.03)
    assert modulation["cutoffs"] == 0
    assert modulation["pep_w"] == pytest.approx(250.0 * 2.25**2, rel=0.01)
    assert modulation["trough_edge"] > 1.6
    assert found["carrier"]["shift_db"] == pytest.approx(0.0, abs=0.01)
    assert found["carrier"]["frequency_hz"] == pytest.approx(1500.0, abs=0.1)
    assert found["recording"]["carrier_to_noise_db"] == pytest.approx(50.0, abs=0.5)
    assert found["emission"]["shared_pct"] > 95.0
    assert found["verdict"]["keeps"] is True
    assert found["verdict"]["what"] == "none"
    assert set(KEYS) >= {
        key
        for key in leaves(found)
        if not key.startswith(("versions.", "modulation.percentiles", "emission.beyond"))
        and not key.startswith("emission.own_beyond")
    }


@pytest.mark.parametrize("noise_db", [60.0, 45.0])
def test_cutoffs_of_overdriven_speech(played: Path, tmp_path: Path, noise_db: float) -> None:
    """2.3 dB too loud: with little noise every cut-off but the shortest is found, at its time."""
    loud = tmp_path / "loud.wav"
    samples, _ = sf.read(played)
    sf.write(loud, 1.3 * samples, RATE_HZ, subtype="FLOAT")
    found = checked(on_the_air(loud, tmp_path, "--carrier-to-noise", str(noise_db)))
    true, modulation = truth(tmp_path)["modulation"], found["modulation"]
    assert modulation["negative_peak_pct"] == 100.0
    assert modulation["positive_peak_pct"] == pytest.approx(true["positive_peak_pct"], abs=1.5)
    possible = modulation["cutoffs"] + modulation["cutoffs_uncertain"]
    assert possible == pytest.approx(true["cutoffs"], rel=0.08)
    if noise_db >= 60.0:
        assert modulation["cutoffs"] > 0.85 * true["cutoffs"]
        assert modulation["cutoff_ms"] == pytest.approx(true["cutoff_ms"], rel=0.12)
        assert modulation["cutoff_longest_ms"] == pytest.approx(true["cutoff_longest_ms"], rel=0.15)
    times = np.array(true["cutoff_times_s"])
    for at_s in modulation["cutoff_times_s"]:
        assert np.abs(times - at_s).min() < 3e-4
    assert found["emission"]["own_beyond_dbc"]["beyond_10000_hz"] is not None


@pytest.mark.parametrize(
    ("name", "too_loud", "noise_db", "within_pct"),
    [("evening_round_female", 1.05, 60.0, 0.3), ("evening_round_male", 1.15, 35.0, 0.9)],
)
def test_a_keep_alive_is_seen_and_no_cut_off(
    name: str, too_loud: float, noise_db: float, within_pct: float, tmp_path: Path
) -> None:
    """Troughs that aim at 99.75 % only touch a floor at 3 %; others lie on it, in much noise."""
    loud = tmp_path / "loud.wav"
    rig = rig_from_table(tomllib.loads(rig_text()), "rig")
    sf.write(loud, too_loud * limited(rig, name), RATE_HZ, subtype="FLOAT")
    how = ["--keep-alive", "3", "--carrier-to-noise", str(noise_db)]
    modulation = checked(on_the_air(loud, tmp_path, *how))["modulation"]
    assert modulation["negative_peak_pct"] == pytest.approx(97.0, abs=within_pct)
    assert modulation["held_up_at_pct"] == pytest.approx(3.0, abs=within_pct)
    assert modulation["cutoffs"] == modulation["cutoffs_uncertain"] == 0


def test_what_only_comes_near_zero_is_no_floor_and_no_cut_off(played: Path, tmp_path: Path) -> None:
    """Speech limited to 95 %, 5 % too loud: 99.75 %."""
    loud = tmp_path / "loud.wav"
    samples, _ = sf.read(played)
    sf.write(loud, 1.05 * samples, RATE_HZ, subtype="FLOAT")
    recording = on_the_air(loud, tmp_path, "--carrier-to-noise", "60")
    modulation = checked(recording)["modulation"]
    assert modulation["negative_peak_pct"] == pytest.approx(99.75, abs=0.2)
    assert modulation["held_up_at_pct"] is None
    assert modulation["cutoffs"] == 0


def test_clips_of_what_cut_the_carrier_off(played: Path, tmp_path: Path) -> None:
    """Each cut-off that is listed lies in a clip, or is said to be left out."""
    loud, heard = tmp_path / "loud.wav", tmp_path / "heard"
    samples, _ = sf.read(played)
    sf.write(loud, 1.15 * samples, RATE_HZ, subtype="FLOAT")
    recording = on_the_air(loud, tmp_path, "--carrier-to-noise", "60")
    found = checked(recording, "--reference", str(loud), "--clips", str(heard))
    assert found["modulation"]["cutoffs"] > 50
    assert found["clips"]["audio"] == "reference"
    assert (
        sum(found["clips"]["cutoffs"]) + found["clips"]["left_out"]
        == (found["modulation"]["cutoffs"])
    )
    for file in found["clips"]["files"]:
        assert sf.info(file).frames > 1000
    assert main(["check", str(recording), "--clips", str(heard)]) == 2  # nothing is overwritten


def test_a_detector_is_believed_as_far_as_it_sees(played: Path, tmp_path: Path) -> None:
    """Speech limited to 85 % through a diode with a knee of 5 %, and the same 15 % too loud."""
    quiet, folder = tmp_path / "quiet.wav", tmp_path
    samples, _ = sf.read(played)
    sf.write(quiet, 0.85 / 0.95 * samples, RATE_HZ, subtype="FLOAT")
    how = ["--kind", "detector", "--detector-knee", "5", "--carrier-to-noise", "60"]
    how += ["--offset-hz", "0"]
    recording = on_the_air(quiet, folder, *how)
    rig = rig_file(folder / "mine.toml")
    known = ["--kind", "detector", "--rig", str(rig)]
    found = checked(recording, *known, "--known", str(quiet))
    true = truth(folder)["modulation"]
    assert found["detector"]["knee_pct"] == pytest.approx(5.0, abs=0.6)
    assert found["modulation"]["negative_peak_pct"] == pytest.approx(
        true["negative_peak_pct"], abs=1.5
    )
    assert found["modulation"]["cutoffs"] == 0
    assert found["detector"]["may_be_safe"] is True
    assert found["verdict"]["keeps"] is True
    deep = on_the_air(played, folder, *how)
    found = checked(deep, *known, "--known", str(played))
    assert found["detector"]["may_be_safe"] is False
    assert found["verdict"]["keeps"] is None
    assert "nothing is said to be safe" in found["verdict"]["words"]
    screen = io.StringIO()
    show(found, Console(file=screen, width=100))
    assert re.search(r"Carrier cut-offs +0 seen", screen.getvalue())
    assert screen.getvalue().count("Troughs may be as deep as") == 1
    assert found["recording"]["carrier_to_noise_db"] is None


def test_pictures_masks_and_the_screen(
    played: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = on_the_air(played, tmp_path, "--carrier-to-noise", "60")
    report, folder = tmp_path / "report.csv", tmp_path / "pictures"
    arguments = ["check", str(recording), "--report", str(report), "--pictures", str(folder)]
    capsys.readouterr()
    assert main([*arguments, "--mask", "am-broadcast", "--reference", str(played)]) == 0
    shown = capsys.readouterr().out
    assert shown.index("The carrier stays up") < shown.index("Negative peak")
    assert "AM broadcast" in shown
    names = ("envelope", "histogram", "spectrum", "waterfall", "trapezoid")
    for name in names:
        assert imread(folder / f"{name}.png").std() > 0.01
    with report.open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert float(row["modulation.negative_peak_pct"]) == pytest.approx(95.0, abs=1.0)
    assert row["pictures"].count(";") == len(names) - 1
    assert float(row["trapezoid.explained_pct"]) > 95.0


def test_limits_are_whole_on_a_narrow_screen(played: Path, tmp_path: Path) -> None:
    mine = rig_file(tmp_path / "mine.toml")
    found = checked(on_the_air(played, tmp_path), "--rig", str(mine))
    screen = io.StringIO()
    show(found, Console(file=screen, width=60))
    lines = [line.rstrip() for line in screen.getvalue().splitlines()[1:]]  # below the file's name
    assert max(map(len, lines)) <= 60
    row = re.compile(r"Negative peak +[\d.]+ % \(within [\d.]+\) +95 %")
    assert any(row.fullmatch(line) for line in lines)


def test_every_key_is_described(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["check", "--report-keys"])
    assert left.value.code == 0
    shown = capsys.readouterr().out
    for key in ("modulation.positive_peak_pct", "carrier.shift_db", "emission.occupied_hz"):
        assert key in shown
