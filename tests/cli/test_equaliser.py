"""What the commands say and do with an equaliser in the rig file."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
from scipy.signal import hilbert

from tests.cli.files import (
    FLAT_RIG,
    FULL,
    PATH_RIG,
    documents,
    refusal,
    run,
    write_sound,
    write_text,
)
from tests.cli.moments import moment
from tests.cli.test_console_view import lines_of
from tests.dsp.test_resampler import burst
from tests.reference import antenna

Capsys = pytest.CaptureFixture[str]
ON = "\n[equalise]\nenabled = true\n"
SECTIONS = [{"kind": "highpass", "corner_hz": 40.0, "q": 0.7}]
NOTCH = """
  [[paths.sections]]
  kind = "peak"
  centre_hz = 1000.0
  gain_db = -30.0
  q = 20.0
"""


def processed(folder: Path, rig: str, samples: Any = None, *options: object) -> Any:
    """Run ``process`` with a voice that changes nothing; return the report."""
    source, report = write_sound(folder / "in.wav", samples), folder / "report.json"
    given = documents(folder, rig)
    assert run("process", source, folder / "out.wav", *given, "--report", report, *options) == 0
    return json.loads(report.read_text())


def test_the_report_says_how_flat_the_antenna_is(tmp_path: Path, capsys: Capsys) -> None:
    """Without the equaliser 40 Hz, second order, is 1.6 dB off at 50 Hz, by the reference."""
    report = processed(tmp_path, PATH_RIG + ON)
    found, gain = report["equaliser"], np.abs(antenna.response(SECTIONS, np.array([50.0])))[0]
    assert report["rig"]["equalised"] is True
    assert (found["lowest_hz"], found["highest_hz"]) == (50.0, 5000.0)
    assert found["deviation_without_db"] == pytest.approx(-20 * np.log10(gain), abs=0.01)
    assert found["deviation_db"] < 0.5
    assert 0.5 < found["boost_db"] < 3.0
    assert 5.0 < found["rest_ms"] < 100.0
    said = " ".join(capsys.readouterr().out.split())
    assert "from 50 to 5000 Hz (1.6 dB without), boost up to" in said
    assert f"comes to rest in the last {found['rest_ms']:.0f} ms, which are silent" in said


def test_without_one_nothing_is_said(tmp_path: Path, capsys: Capsys) -> None:
    report = processed(tmp_path, PATH_RIG)
    assert report["rig"]["equalised"] is False
    assert set(report["equaliser"].values()) == {None}
    assert "qualis" not in capsys.readouterr().out


def test_a_flat_antenna_leaves_nothing_to_do(tmp_path: Path, capsys: Capsys) -> None:
    report = processed(tmp_path, FLAT_RIG + ON)
    assert report["equaliser"]["rest_ms"] == report["equaliser"]["boost_db"] == 0.0
    said = " ".join(capsys.readouterr().out.split())
    assert "Equaliser nothing to do, antenna flat within 0.0 dB from 50 to 5000 Hz" in said


def test_the_output_stays_in_step(tmp_path: Path) -> None:
    """The envelope of a 1 kHz burst lies where it lay in the input, and is as high."""
    samples = np.pad(0.5 * burst(1000.0, 48_000), (0, 4800))
    processed(tmp_path, PATH_RIG + ON, samples, "--subtype", "DOUBLE")
    got, _ = sf.read(tmp_path / "out.wav")
    assert len(got) == len(samples)
    wanted = FULL * np.abs(hilbert(samples))
    np.testing.assert_allclose(np.abs(hilbert(got)), wanted, atol=1e-3)


def test_the_end_of_a_file_is_silent_in_time(tmp_path: Path) -> None:
    """A file that ends in the middle of a loud hum: what is left at its end makes no step."""
    hum = 0.9 * np.sin(2 * np.pi * 50.0 * np.arange(48_000) / 48_000)
    report = processed(tmp_path, PATH_RIG + ON, hum, "--subtype", "DOUBLE")
    got, _ = sf.read(tmp_path / "out.wav")
    rest = round(48 * report["equaliser"]["rest_ms"])
    assert np.abs(got[-rest - 1200 : -rest - 240]).max() > 0.3
    assert np.abs(got[-rest // 2 :]).max() < 0.1
    assert abs(got[-1]) < 2e-3


def test_predict_takes_the_path_alone(tmp_path: Path) -> None:
    """The file holds the equaliser: predicted again, the trough is that of the report."""
    report = processed(tmp_path, PATH_RIG + ON, None, "--subtype", "FLOAT")
    target = tmp_path / "predicted.json"
    rig = tmp_path / "rig.toml"
    assert run("predict", tmp_path / "out.wav", "--rig", rig, "--report", target) == 0
    predicted = json.loads(target.read_text())
    assert predicted["rig"]["equalised"] is True
    for key in ("negative_peak_pct", "positive_peak_pct", "density_pct"):
        assert predicted["antenna"][key] == pytest.approx(report["antenna"][key], rel=1e-6)


@pytest.mark.parametrize("options", [["sweep", "--seconds", 2], ["staircase", "--hold", 0.2]])
def test_test_signals_are_not_equalised(options: list[object], tmp_path: Path) -> None:
    """Byte for byte: what measures the path must not hold its inverse."""
    files = []
    for name, rig in {"plain": PATH_RIG, "equalised": PATH_RIG + ON}.items():
        file = write_text(tmp_path / f"{name}.toml", rig)
        files.append(tmp_path / f"{name}.wav")
        assert run("tone", *options, "--out", files[-1], "--rig", file) == 0
    assert files[0].read_bytes() == files[1].read_bytes()


def test_rigs_show_and_keys(tmp_path: Path, capsys: Capsys) -> None:
    assert run("rigs", "show", write_text(tmp_path / "r.toml", PATH_RIG + ON)) == 0
    said = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert ["equalise", "enabled", "true", "whether", "to", "equalise", "the", "paths"] in said
    assert ["1.6", "dB", "the", "same", "without", "it"] in said
    assert run("rigs", "keys") == 0
    said = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert ["enabled", "true", "or", "false", "false"] in [line[:5] for line in said]
    assert ["most_boost_db", "1", "to", "24", "dB", "12"] in [line[:6] for line in said]


def test_a_refusal_is_one_line_and_leaves_no_file(tmp_path: Path, capsys: Capsys) -> None:
    source, target = write_sound(tmp_path / "in.wav"), tmp_path / "out.wav"
    given = documents(tmp_path, PATH_RIG + NOTCH + ON)
    line = refusal(capsys, "process", source, target, *given)
    assert "equalise: no filter was found that makes the paths flatter from 50 to 5000 Hz" in line
    assert not target.exists()


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_live_console_says_so(width: int) -> None:
    words = ["equalised" in " ".join(lines_of(moment(is_equalised=on), width, 30)) for on in (0, 1)]
    assert words == [False, True]
