"""``tone`` into files: the samples, the levels, the report, and every refusal."""

import json
import math
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from carrierfloor import presets
from carrierfloor.cli.parser import build_parser
from tests.cli.files import in_other_process, left_over, refusal, run, write_text

Capsys = pytest.CaptureFixture[str]
KINDS = ("sine", "two-tone", "staircase", "sweep", "noise")


def made(folder: Path, kind: str, *options: object, name: str = "tone.wav") -> tuple[Any, Any]:
    """Write a signal; return its samples and its report."""
    report = folder / "tone.json"
    assert run("tone", kind, "--out", folder / name, "--report", report, *options) == 0
    samples, rate_hz = sf.read(folder / name)
    found = json.loads(report.read_text("utf-8"))
    assert found["sample_rate_hz"] == rate_hz
    assert len(samples) == round(found["duration_s"] * rate_hz)
    return samples, found


def faded(samples: int, ramp: int) -> Any:
    """Return raised-cosine ramps at both ends."""
    n = np.arange(samples) + 0.5
    near = np.minimum(np.minimum(n, samples - n) / ramp, 1.0)
    return np.sin(0.5 * np.pi * near) ** 2


@pytest.mark.parametrize("rate_hz", [8000, 44_100, 48_000, 192_000])
@pytest.mark.parametrize(("subtype", "step"), [("PCM_24", 2.0**-24), ("FLOAT", 2.0**-24)])
def test_sine_is_its_closed_form(rate_hz: int, subtype: str, step: float, tmp_path: Path) -> None:
    got, _ = made(
        tmp_path, "sine", "--frequency", 997, "--level", -6, "--seconds", 1,
        "--rate", rate_hz, "--subtype", subtype,
    )  # fmt: skip
    wave = np.sin(2 * np.pi * 997 * np.arange(rate_hz) / rate_hz)
    expected = 10 ** (-6 / 20) * wave * faded(rate_hz, round(0.05 * rate_hz))
    np.testing.assert_allclose(got, expected, atol=1.001 * step, rtol=0)
    assert sf.info(tmp_path / "tone.wav").subtype == subtype


def test_dithered_16_bits(tmp_path: Path) -> None:
    coarse, _ = made(tmp_path, "noise", "--seconds", 1, "--subtype", "PCM_16")
    exact, _ = made(tmp_path, "noise", "--seconds", 1, "--subtype", "DOUBLE")
    error = (coarse - exact) * 32_768
    assert 0.5 < np.abs(error).max() <= 1.5
    assert np.std(error) == pytest.approx(0.5, abs=0.01)  # triangular dither and rounding


def test_full_scale_does_not_clip(tmp_path: Path) -> None:
    """The highest code appears, and no run of it."""
    for subtype, highest in (("PCM_24", 2**23 - 1), ("PCM_16", 2**15 - 1)):
        got, _ = made(tmp_path, "sine", "--level", 0, "--seconds", 1, "--subtype", subtype)
        codes = np.rint(got * (highest + 1))
        assert highest - 3 <= codes.max() <= highest
        assert codes.min() >= -highest


def test_two_tone_of_free_choice(tmp_path: Path) -> None:
    got, found = made(
        tmp_path, "two-tone", "--frequencies", 500, 2400, "--level", -12, "--seconds", 3
    )
    assert found["frequencies_hz"] == [500.0, 2400.0]
    line = np.abs(np.fft.rfft(got[48_000:96_000])) / 24_000
    assert line[[500, 2400]] == pytest.approx(10 ** (-12 / 20) / 2, rel=1e-6)
    assert np.abs(got).max() <= 10 ** (-12 / 20)


def test_modulation_of_a_rig(tmp_path: Path) -> None:
    """no-headroom: -6 dBFS makes 100 %, inverted; so its first half wave is negative."""
    got, found = made(tmp_path, "sine", "--rig", "no-headroom", "--level", 60, "--seconds", 1)
    assert np.abs(got).max() == pytest.approx(0.6 * 10 ** (-6 / 20), rel=1e-6)
    wave = np.sin(2 * np.pi * 1000 * np.arange(48_000) / 48_000)
    assert np.dot(got, wave) < 0.0
    assert found["modulation_pct"] == pytest.approx(60.0)
    assert found["antenna_pct"] == pytest.approx(60.0, rel=1e-9)  # a path has 1 at 1 kHz
    assert found["rig"]["polarity"] == "inverted"


def test_staircase_is_what_its_report_says(tmp_path: Path, capsys: Capsys) -> None:
    """Each step measured in the file by synchronous detection, where the report says it is."""
    got, found = made(
        tmp_path, "staircase", "--rig", "plate-modulated", "--step", 20, "--hold", 0.5
    )
    assert [step["modulation_pct"] for step in found["steps"]] == pytest.approx(
        [10, 30, 50, 70, 90]
    )
    turn = np.exp(2j * np.pi * 1000.0 * np.arange(len(got)) / 48_000)
    for step in found["steps"]:
        begin = round(step["begins_s"] * 48_000)
        held = slice(begin + 2400, begin + 24_000 - 2400)
        peak = 2 * abs(np.mean(got[held] * turn[held]))
        assert 20 * math.log10(peak) == pytest.approx(step["level_dbfs"], abs=1e-4)
        full = presets.rig("plate-modulated").level.sample_at_full_modulation
        assert 100 * peak / full == pytest.approx(step["modulation_pct"], abs=1e-3)
    shown = capsys.readouterr().out
    assert all(f"{step['begins_s']:.3f} s" in shown for step in found["steps"])
    assert all(f"{step['modulation_pct']:.1f} %" in shown for step in found["steps"])


@pytest.mark.parametrize("rig", ["plate-modulated", "no-headroom"])
def test_step_that_tells_the_polarity(rig: str, tmp_path: Path) -> None:
    """Half-way, as high as the step before it; its larger peak is positive in every rig."""
    got, found = made(
        tmp_path, "staircase", "--rig", rig, "--step", 20, "--hold", 0.5, "--polarity-step"
    )
    uneven = [step["uneven"] for step in found["steps"]]
    number = uneven.index(True)
    assert uneven.count(True) == 1
    assert found["steps"][number]["level_dbfs"] == found["steps"][number - 1]["level_dbfs"]
    begin = round(found["steps"][number]["begins_s"] * 48_000)
    held = got[begin + 2400 : begin + 24_000]
    peak = 10 ** (found["steps"][number]["level_dbfs"] / 20)
    assert held.max() == pytest.approx(peak, rel=1e-5)
    assert held.min() == pytest.approx(-peak / 2, rel=1e-3)


def test_staircase_in_db_goes_down_too(tmp_path: Path) -> None:
    _, found = made(
        tmp_path, "staircase", "--first", -10, "--last", -31, "--step", 5, "--hold", 0.2
    )
    levels = [step["level_dbfs"] for step in found["steps"]]
    assert levels == pytest.approx([-10, -15, -20, -25, -30])


@pytest.mark.parametrize("rig", presets.names("rigs"))
@pytest.mark.parametrize("kind", KINDS)
def test_the_usual_signal_suits_every_shipped_rig(kind: str, rig: str, tmp_path: Path) -> None:
    """What is shipped must not be refused with its own defaults."""
    _, found = made(tmp_path, kind, "--rig", rig)
    limits = presets.rig(rig).modulation
    assert found["antenna_pct"] <= min(limits.negative_limit_pct, limits.positive_limit_pct)


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_command_makes_the_same_file(kind: str, tmp_path: Path) -> None:
    for name in ("a.flac", "b.flac"):
        made(tmp_path, kind, name=name)
    assert (tmp_path / "a.flac").read_bytes() == (tmp_path / "b.flac").read_bytes()


def test_the_caution_comes_first(tmp_path: Path) -> None:
    done = in_other_process("tone", "sine", "--out", tmp_path / "x.wav")
    assert done.returncode == 0
    assert done.stderr.startswith("Caution: ")
    assert "dummy\nload" in done.stderr
    assert max(map(len, done.stderr.splitlines())) < 80


def test_memory_does_not_grow_with_the_length(tmp_path: Path) -> None:
    """A hundred times longer, and at most a megabyte more."""

    def peak_bytes(seconds: int) -> int:
        tracemalloc.start()
        run("tone", "sine", "--seconds", seconds, "--out", tmp_path / "x.wav")
        _, highest = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return highest

    peak_bytes(1)
    assert peak_bytes(200) < peak_bytes(2) + 1e6


REFUSALS = [
    (["sine"], "nothing to do: give --out FILE, --output DEVICE, or both"),
    (["sine", "--out", "x.mp3"], "the ending must be .wav or .flac"),
    (["sine", "--out", "."], "is a folder; name a file"),
    (["sine", "--out", "gone/x.wav"], "there is no folder gone"),
    (["sine", "--out", "x.wav", "--endless"], "a file has an end"),
    (["sine", "--out", "x.wav", "--rate", 400], "it must be 8000 to 192000 Hz"),
    (["sine", "--out", "x.wav", "--subtype", "ALAW"], "sample type ALAW is not allowed"),
    (["sine", "--out", "x.wav", "--level", 3], "level is 3 dBFS; it must be -120 to 0 dBFS"),
    (["sine", "--out", "x.wav", "--ramp", 1], "ramp is 1 ms; it must be 5 to 1000 ms"),
    (["sine", "--out", "x.wav", "--seconds", 0.05], "seconds is 0.05 s; it must be 0.1 to 86400 s"),
    (["sine", "--out", "x.wav", "--frequency", 24000], "below half the sample rate (24000 Hz)"),
    (["sine", "--out", "x.wav", "--rig", "nobody"], "nobody"),
    (["sine", "--out", "x.wav", "--report", "r.csv"], "the ending must be .json"),
    (["sine", "--out", "x.wav", "--rig", "no-headroom", "--level", 91], "the rig allows 90 %"),
    (["staircase", "--out", "x.wav", "--step", 0], "step is 0; it must be above 0"),
    (["staircase", "--out", "x.wav", "--step", 0.001], "at most 200 are allowed"),
    (["staircase", "--out", "x.wav", "--hold", 0.05], "hold is 0.05"),
    (["staircase", "--out", "x.wav", "--last", "nan"], "they must be numbers"),
    (["staircase", "--out", "x.wav", "--last", 6], "level is 2 dBFS"),
    (["sweep", "--out", "x.wav", "--lowest", 9000, "--highest", 90], "at least 1.1 times lowest"),
    (["noise", "--out", "x.wav", "--lowest", 16000, "--highest", 20000], "spectrum of speech"),
    (["two-tone", "--out", "x.wav", "--frequencies", 700], "expected 2 arguments"),
    ([], "the following arguments are required: KIND"),
]


@pytest.mark.parametrize(("arguments", "words"), REFUSALS, ids=[w for _, w in REFUSALS])
def test_refusals(
    arguments: list[object], words: str, tmp_path: Path, monkeypatch: Any, capsys: Capsys
) -> None:
    monkeypatch.chdir(tmp_path)
    assert words in refusal(capsys, "tone", *arguments)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_was_there_survives_a_refusal(tmp_path: Path, capsys: Capsys) -> None:
    target = write_text(tmp_path / "x.wav", "mine")
    refusal(capsys, "tone", "sine", "--out", target, "--level", 1)
    assert target.read_text() == "mine"
    assert left_over(tmp_path) == []


@pytest.mark.parametrize("kind", KINDS)
def test_help_of_every_kind(kind: str, capsys: Capsys) -> None:
    assert run("tone", kind, "--help") == 0
    out = capsys.readouterr().out
    assert out.startswith(f"usage: carrierfloor tone {kind}")
    assert "None" not in out
    assert build_parser().parse_args(["tone", kind]).kind == kind
