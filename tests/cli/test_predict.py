"""The command predict, on real files."""

import csv
import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
from matplotlib.image import imread

from carrierfloor.cli.predict import predict
from carrierfloor.cli.predict_report import KEYS
from carrierfloor.dsp.errors import AudioError, SettingError

RATE_HZ = 48_000
RIG = """
name = "two paths"
[carrier]
power_w = 300.0
pep_limit_w = 1500.0
[plate]
supply_v = 2000.0
current_a = 0.25
[level]
full_modulation_dbfs = -12.0
[[paths]]
name = "flat"
[[paths]]
name = "transformer"
  [[paths.sections]]
  kind = "highpass"
  corner_hz = 100.0
"""


@pytest.fixture
def rig(tmp_path: Path) -> str:
    file = tmp_path / "rig.toml"
    file.write_text(RIG)
    return str(file)


def write_tone(
    path: Path, pct: float, frequency_hz: float = 1000.0, rate_hz: int = RATE_HZ
) -> Path:
    """Write a tone that modulates RIG by ``pct`` at 1 kHz, with soft ends."""
    t = np.arange(3 * rate_hz) / rate_hz
    fade = np.sin(np.pi / 2 * np.minimum(1.0, np.minimum(t, t[-1] - t) / 0.2)) ** 2
    tone = pct / 100 * 10 ** (-12 / 20) * fade * np.sin(2 * np.pi * frequency_hz * t)
    sf.write(path, tone, rate_hz, "FLOAT")
    return path


def run(audio: Path, tmp_path: Path, rig: str | None, **options: Any) -> dict[str, Any]:
    target = tmp_path / "report.json"
    assert predict(audio, rig=rig, save_report=target, **options) == 0
    report: dict[str, Any] = json.loads(target.read_text())
    return report


def dotted(report: Mapping[str, Any], head: str = "") -> Iterator[str]:
    for key, value in report.items():
        yield f"{head}{key}"
        if isinstance(value, Mapping):
            yield from dotted(value, f"{head}{key}.")


def test_tone_below_100_pct(tmp_path: Path, rig: str) -> None:
    """NEETS module 21: 80 % both ways, 1 + m^2/2; PEP (1 + m)^2 x 300 W, plate (1 + m) x 2 kV."""
    antenna = run(write_tone(tmp_path / "a.wav", 80.0), tmp_path, rig)["paths"]["path_1"]
    assert antenna["negative_peak_pct"] == pytest.approx(80.0, abs=0.02)
    assert antenna["positive_peak_pct"] == pytest.approx(80.0, abs=0.02)
    assert antenna["cutoffs"] == 0
    assert antenna["cutoff_times_s"] == []
    assert antenna["density_pct"] == pytest.approx(80.0 / np.sqrt(2), rel=0.04)
    assert antenna["pep_w"] == pytest.approx(1.8**2 * 300.0, rel=1e-3)
    assert antenna["peak_plate_v"] == pytest.approx(3600.0, rel=1e-3)
    assert antenna["residual_carrier_db"] == pytest.approx(20 * np.log10(0.2), abs=0.01)
    assert antenna["emission_mean_dbc"]["beyond_5000_hz"] < -100.0


@pytest.mark.parametrize("rate_hz", [8000, 44_100, 96_000])
def test_overmodulated_tone_at_other_rates(rate_hz: int, tmp_path: Path, rig: str) -> None:
    """125 %: carrier off for arccos(1/1.25)/pi = 20.5 % of each cycle, splatter at 2 kHz."""
    audio = write_tone(tmp_path / "a.wav", 125.0, rate_hz=rate_hz)
    antenna = run(audio, tmp_path, rig)["paths"]["path_1"]
    assert antenna["negative_peak_pct"] == pytest.approx(125.0, abs=0.05)
    faded_s = 0.2 * 2 / np.pi * np.arcsin(np.sqrt(1 / 1.25))  # until the fade passes 100 %
    assert antenna["cutoffs"] == pytest.approx(1000.0 * (3.0 - 2.0 * faded_s), abs=2)
    assert antenna["cutoff_longest_ms"] == pytest.approx(0.2048, abs=0.002)
    assert antenna["residual_carrier_db"] is None
    assert -45.0 < antenna["emission_mean_dbc"]["beyond_3750_hz"] < -25.0
    assert len(antenna["cutoff_times_s"]) == 1000
    assert 0.0 < antenna["cutoff_times_s"][0] < 0.2


def test_the_worst_of_two_paths(tmp_path: Path, rig: str) -> None:
    """60 Hz is 1 / sqrt(1 + (100/60)^2) at the second path, sqrt(1 + (100/1000)^2) back up."""
    audio = write_tone(tmp_path / "a.wav", 90.0, frequency_hz=60.0)
    report = run(audio, tmp_path, rig)
    gain = 1 / np.hypot(1.0, 100 / 60) * np.hypot(1.0, 100 / 1000)
    paths = report["paths"]
    assert paths["path_1"]["negative_peak_pct"] == pytest.approx(90.0, abs=0.05)
    assert paths["path_2"]["negative_peak_pct"] == pytest.approx(90.0 * gain, abs=0.05)
    assert report["antenna"]["path"] == "flat"
    assert report["antenna"]["negative_peak_pct"] == paths["path_1"]["negative_peak_pct"]
    assert report["antenna"]["density_pct"] == paths["path_2"]["density_pct"]


def test_every_key_is_documented_and_there(tmp_path: Path, rig: str) -> None:
    report = run(write_tone(tmp_path / "a.wav", 50.0), tmp_path, rig)
    shapes = {re.sub(r"_(\d[\d.]*)_(pct|hz)$", r"_#_\2", key) for key in dotted(report)}
    shapes = {key for key in shapes if not key.startswith(("versions.", "paths"))}
    documented = {re.sub(r"_[PF]_(pct|hz)$", r"_#_\1", key) for key in KEYS}
    groups = {key.rpartition(".")[0] for key in documented}
    assert shapes - groups == documented - {"antenna"}


def test_csv_report(tmp_path: Path, rig: str) -> None:
    target = tmp_path / "report.csv"
    predict(write_tone(tmp_path / "a.wav", 50.0), rig=rig, save_report=target)
    with target.open() as file:
        row = next(csv.DictReader(file))
    assert float(row["antenna.negative_peak_pct"]) == pytest.approx(50.0, abs=0.05)


def test_table_says_when_the_carrier_goes_off(
    tmp_path: Path, rig: str, capsys: pytest.CaptureFixture[str]
) -> None:
    predict(write_tone(tmp_path / "a.wav", 110.0), rig=rig)
    shown = capsys.readouterr().out
    assert "The carrier goes off" in shown
    assert "110.0 %" in shown
    assert re.search(r"The carrier goes off at 0\.\d+", shown)
    predict(write_tone(tmp_path / "b.wav", 90.0), rig=rig)
    assert "The carrier stays up." in capsys.readouterr().out


def test_channels(tmp_path: Path, rig: str) -> None:
    """Left 80 %, right silent: the mean of both modulates by 40 %."""
    left = sf.read(write_tone(tmp_path / "a.wav", 80.0))[0]
    stereo = tmp_path / "stereo.wav"
    sf.write(stereo, np.stack([left, 0 * left], axis=1), RATE_HZ, "FLOAT")
    for channel, pct in (("mix", 40.0), ("left", 80.0), ("right", 0.0)):
        report = run(stereo, tmp_path, rig, channel=channel)
        assert report["antenna"]["negative_peak_pct"] == pytest.approx(pct, abs=0.02)


def test_silence(tmp_path: Path, rig: str, capsys: pytest.CaptureFixture[str]) -> None:
    audio = tmp_path / "silence.wav"
    sf.write(audio, np.zeros(1000), RATE_HZ)
    report = run(audio, tmp_path, rig, pictures=tmp_path / "pictures")
    assert report["antenna"]["negative_peak_pct"] == 0.0
    assert report["input"]["peak_dbfs"] is None
    assert len(report["pictures"]) == 4
    assert "silent" in capsys.readouterr().out


def test_pictures_are_drawn_on_a_clear_ground(tmp_path: Path, rig: str) -> None:
    """Readable on white and on black: transparent around it, and no ink near either."""
    audio = write_tone(tmp_path / "a.wav", 120.0)
    folder = tmp_path / "new" / "folder"
    report = run(audio, tmp_path, rig, pictures=folder)
    names = ["envelope.png", "trapezoid.png", "spectrum.png", "histogram.png"]
    assert [Path(name).name for name in report["pictures"]] == names
    for name in report["pictures"]:
        image = np.asarray(imread(name)).reshape(-1, 4)  # red, green, blue, opacity; 0 to 1
        assert (image[:, 3] == 0.0).mean() > 0.3
        solid = image[image[:, 3] == 1.0][:, :3]
        light = np.where(solid <= 0.04045, solid / 12.92, ((solid + 0.055) / 1.055) ** 2.4)
        luminance = light @ [0.2126, 0.7152, 0.0722]  # WCAG 2, relative luminance
        assert len(luminance) > 1000
        for ground in (0.0, 1.0):
            contrast = (np.maximum(luminance, ground) + 0.05) / (
                np.minimum(luminance, ground) + 0.05
            )
            assert np.median(contrast) > 3.0, name
    assert sorted(path.name for path in folder.iterdir()) == sorted(names)


def test_refusals(tmp_path: Path, rig: str) -> None:
    tone = write_tone(tmp_path / "a.wav", 50.0)
    with pytest.raises(AudioError, match=r"missing\.wav"):
        predict(tmp_path / "missing.wav", rig=rig)
    with pytest.raises(SettingError, match="no-such-rig"):
        predict(tone, rig="no-such-rig")
    with pytest.raises(SettingError, match=r"\.json or \.csv"):
        predict(tone, rig=rig, save_report=tmp_path / "report.txt")
    with pytest.raises(SettingError, match="channel"):
        predict(tone, rig=rig, channel="7")
    with pytest.raises(SettingError, match=r"a\.wav is a file; give a folder"):
        predict(tone, rig=rig, pictures=tone / "inside")
    empty = tmp_path / "empty.wav"
    sf.write(empty, np.zeros(0), RATE_HZ)
    with pytest.raises(AudioError, match="no samples"):
        predict(empty, rig=rig)
