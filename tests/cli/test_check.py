"""The command check on whole recordings: loops closed with simulate, refusals, the rig file."""

import csv
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
from matplotlib.image import imread
from rich.console import Console

from carrierfloor import presets
from carrierfloor.cli.check_report import KEYS
from carrierfloor.cli.check_view import show
from carrierfloor.cli.main import main
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.rig import Rig, rig_from_table
from tests import clips
from tests.checked import checked, write_recording
from tests.reference.radio import Array, Radio

RATE_HZ = 48_000
SECONDS = 7
HIGH_PASS = {"kind": "highpass", "corner_hz": 40.0, "q": 0.7}


def rig_text(level_dbfs: float = -6.0, polarity: str = "normal", corner_hz: float = 40.0) -> str:
    return f"""
name = "a rig of the tests"  # my transmitter
[carrier]
power_w = 250.0
pep_limit_w = 1500.0
[level]
full_modulation_dbfs = {level_dbfs}
polarity = "{polarity}"
[[paths]]
name = "transformer"
  [[paths.sections]]
  kind = "highpass"
  corner_hz = {corner_hz}
  q = 0.7
"""


def rig_file(path: Path, **changes: Any) -> Path:
    path.write_text(rig_text(**changes), "utf-8")
    return path


def limited(rig: Rig, name: str = "evening_round_male") -> Array:
    """What the sound card plays: speech through the chain for a rig."""
    chain = Chain(presets.voice(), rig)
    speech = clips.sound(name)[: SECONDS * RATE_HZ]
    played = [chain.process(speech), chain.process(np.zeros(chain.latency_samples))]
    return np.concatenate(played)[chain.latency_samples :]


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Speech limited for the rig above, as a sound file."""
    import tomllib

    file = tmp_path_factory.mktemp("played") / "played.wav"
    rig = rig_from_table(tomllib.loads(rig_text()), "rig")
    sf.write(file, limited(rig), RATE_HZ, subtype="FLOAT")
    return file


def on_the_air(audio: Path, folder: Path, *options: str, rig: Path | None = None) -> Path:
    """Simulate a recording; its truth lies beside it."""
    recording = folder / "recording.wav"
    arguments = ["simulate", str(audio), str(recording), "--kind", "iq", "--rate", "48000"]
    arguments += ["--report", str(folder / "truth.json"), "--offset-hz", "1500"]
    assert main([*arguments, "--rig", str(rig or rig_file(folder / "true.toml")), *options]) == 0
    return recording


def truth(folder: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((folder / "truth.json").read_text("utf-8"))
    return content


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


def test_a_margin_that_was_applied_is_enough(tmp_path: Path, played: Path) -> None:
    """The same transmitter again, with audio limited for the corrected rig file."""
    import tomllib

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


def test_every_key_is_described(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["check", "--report-keys"])
    assert left.value.code == 0
    shown = capsys.readouterr().out
    for key in ("modulation.positive_peak_pct", "carrier.shift_db", "emission.occupied_hz"):
        assert key in shown


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Return the one line with which a recording is refused."""
    capsys.readouterr()
    assert main(["check", *arguments]) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    lines = [line for line in caught.err.splitlines() if not line.startswith("First run")]
    assert len(lines) == 1
    return lines[0]


T = np.arange(3 * RATE_HZ) / RATE_HZ
AM = 0.2 * (1.0 + 0.8 * np.sin(2 * np.pi * 400.0 * T)) * np.exp(2j * np.pi * 1234.0 * T)
NOISE = 0.1 * (
    np.random.default_rng(1).normal(size=len(T)) + 1j * np.random.default_rng(2).normal(size=len(T))
)


@pytest.mark.parametrize(
    ("samples", "options", "word"),
    [
        (NOISE, (), "no carrier"),
        (0.0 * AM, (), "silent"),
        (0.3 * np.exp(2j * np.pi * 3000.0 * np.cumsum(np.sin(500.0 * T)) / RATE_HZ), (), "carrier"),
        (AM[: RATE_HZ // 4], (), "0.5 s are needed"),
        (AM[:10], (), "0.5 s are needed"),
        (np.clip(8.0 * AM.real, -1, 0.9999) + 1j * np.clip(8.0 * AM.imag, -1, 0.9999), (), "clip"),
        (AM.real + 1j * AM.real, (), "both channels are the same"),
        (AM.real + 0.0j, (), "silent"),
        (AM, ("--kind", "if"), "Hz"),
        (AM.real, ("--kind", "iq"), "2 channels"),
        (0.3 * np.sin(2 * np.pi * 400.0 * T), (), "how high the carrier is"),
        (AM, ("--apply",), "--rig"),
        (AM, ("--knee", "5"), "--kind detector"),
        (AM, ("--kind", "detector", "--knee", "-5"), "--knee is -5; it must be 0 to 100 %"),
        (AM, ("--kind", "detector", "--rc", "nan"), "--rc is nan"),
        (AM, ("--kind", "detector", "--carrier-level", "0"), "--carrier-level is 0"),
        (AM, ("--kind", "iq", "--channel", "left"), "IQ needs both channels"),
        (AM, ("--path", "x"), "--rig"),
        (AM, ("--path", "x", "--rig", "plate-modulated"), "path is 'x'"),
        (AM, ("--mask", "nonsense"), "nonsense"),
        (AM, ("--rate", "48000"), "--rate is for raw files"),
        (AM, ("--carrier", "90000"), "carrier"),
        (AM, ("--rig", "plate-modulated", "--apply"), "ships with carrierfloor"),
        (AM, ("--report", "x.txt"), ".json or .csv"),
    ],
)
def test_what_cannot_be_checked_is_refused_in_one_line(
    samples: Any,
    options: tuple[str, ...],
    word: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    file = write_recording(tmp_path / "r.wav", np.asarray(samples), RATE_HZ)
    assert word in refused(capsys, str(file), *options)
    assert not list(tmp_path.glob("*.json"))


def test_broken_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = write_recording(tmp_path / "whole.wav", AM, RATE_HZ).read_bytes()
    (tmp_path / "junk.wav").write_bytes(bytes(range(256)) * 20)
    (tmp_path / "head.wav").write_bytes(whole[:30])
    for name in ("junk.wav", "head.wav", "missing.wav"):
        assert name in refused(capsys, str(tmp_path / name))
    (tmp_path / "half.wav").write_bytes(whole[: len(whole) // 2 + 1])
    found = checked(tmp_path / "half.wav")
    assert any("its header promises 3.0 s" in note for note in found["notes"])
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(80.0, abs=0.1)


def test_a_bare_carrier_has_no_modulation(tmp_path: Path) -> None:
    radio = Radio(offset_hz=700.0, carrier_to_noise_db=45.0)
    samples = radio.iq(np.ones(4 * RATE_HZ), RATE_HZ)
    found = checked(write_recording(tmp_path / "r.wav", samples, RATE_HZ))
    assert found["modulation"]["positive_peak_pct"] == 0.0
    assert found["recording"]["modulated_s"] == 0.0
    assert any("Nothing modulates" in note for note in found["notes"])


@pytest.mark.parametrize("ending", ["cu8", "cs8", "cs16", "cf32"])
def test_raw_recordings(ending: str, tmp_path: Path) -> None:
    file = write_recording(tmp_path / f"r.{ending}", 2.0 * AM, RATE_HZ)
    found = checked(file, "--rate", str(RATE_HZ))
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(80.0, abs=0.2)
    assert found["carrier"]["frequency_hz"] == pytest.approx(1234.0, abs=0.01)
    assert found["emission"]["occupied_hz"] == pytest.approx(800.0, abs=25.0)


def test_cutting_what_is_read_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Blocks of another size, in the file as in the kept signal."""
    radio = Radio(offset_hz=700.0, carrier_to_noise_db=45.0)
    m = 0.9 * np.sin(2 * np.pi * 3.0 * T) * np.sin(2 * np.pi * 313.0 * T)
    file = write_recording(tmp_path / "r.wav", radio.iq(1.0 + m, RATE_HZ), RATE_HZ)
    one = checked(file)
    monkeypatch.setattr("carrierfloor.cli.audio_in.BLOCK_FRAMES", 5000)
    monkeypatch.setattr("carrierfloor.cli.kept_signal.BLOCK", 9600)
    other = checked(file)
    for key in ("positive_read_pct", "negative_read_pct", "rms_pct", "negative_peak_pct"):
        assert other["modulation"][key] == pytest.approx(one["modulation"][key], abs=1e-6)
    assert other["emission"]["occupied_hz"] == pytest.approx(one["emission"]["occupied_hz"], 1e-3)
