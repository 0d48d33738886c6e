"""The command fit: the voice it writes does what it says, and what it refuses."""

import json
import re
import shlex
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from carrierfloor import presets
from carrierfloor.cli import documents
from carrierfloor.cli.fit_choices import choices
from carrierfloor.cli.fit_report import KEYS
from carrierfloor.dsp.speech_noise import SpeechNoise
from tests.cli.files import left_over, refusal, run, write_sound, write_text
from tests.clips import SPOKEN, Array, sound
from tests.reference import antenna

Capsys = pytest.CaptureFixture[str]
RATE_HZ = 48_000
DENSITY_PCT = 24.0


def noisy() -> Array:
    """A person in a noisy room with hum: 36 and 38 dB under her speech of -26.1 dBFS."""
    clip = np.pad(sound("F2_harvard_phrases"), round(0.8 * RATE_HZ))
    t = np.arange(len(clip)) / RATE_HZ
    speech = 10 ** (-26.1 / 20)
    noise = np.random.default_rng(8).standard_normal(len(clip))
    hum = np.sqrt(2) * np.cos(2 * np.pi * 50 * t)
    return np.asarray(clip + speech * (10 ** (-36 / 20) * noise + 10 ** (-38 / 20) * hum))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder with a recording of two channels, the voice fitted to it, and the report."""
    folder = tmp_path_factory.mktemp("fitted")
    both = np.column_stack([np.zeros(len(noisy())), noisy()])
    recording = write_sound(folder / "me.wav", both, subtype="PCM_24")
    status = run(
        "fit", recording, "--channel", "right", "--out", folder / "my.toml", "--density",
        DENSITY_PCT, "--report", folder / "fit.json",
    )  # fmt: skip
    assert status == 0
    yield folder
    assert left_over(folder) == []


@pytest.fixture
def report(made: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((made / "fit.json").read_text("utf-8"))
    return content


def test_file_is_a_complete_voice(made: Path, capsys: Capsys) -> None:
    assert run("voices", "validate", made / "my.toml") == 0
    capsys.readouterr()
    kinds = [stage.kind for stage in documents.voice(str(made / "my.toml")).stages]
    base = [stage.kind for stage in presets.voice("everyday").stages]
    assert [kind for kind in kinds if kind != "tone"] == base


def test_density_is_reached_and_the_carrier_held(made: Path, tmp_path: Path) -> None:
    """Processed with the file: the density within 0.3 dB; the trough by the analogue path."""
    out, measured = tmp_path / "out.wav", tmp_path / "r.json"
    words = ("process", made / "me.wav", out, "--channel", "right", "--voice", made / "my.toml")
    assert run(*words, "--report", measured, "--no-compare") == 0
    density_pct = json.loads(measured.read_text("utf-8"))["antenna"]["density_pct"]
    assert abs(20 * np.log10(density_pct / DENSITY_PCT)) < 0.3
    card, _ = sf.read(out)
    rows = documents.parse(documents.text("rigs", "plate-modulated"), "rig")
    full = presets.rig("plate-modulated").level.sample_at_full_modulation
    paths = [path["sections"] for path in rows["paths"]]
    verdict = antenna.judge_paths(card, RATE_HZ, full, paths)
    assert 0.94 < verdict.trough < 0.951
    assert verdict.cutoffs == 0


def test_what_was_put_in_is_found(report: dict[str, Any]) -> None:
    lines = {float(key.removesuffix("_hz")): db for key, db in report["hum"]["lines"].items()}
    assert min(lines, key=lambda hz: lines[hz]) == pytest.approx(50.0, abs=0.2)
    assert min(lines.values()) == pytest.approx(38.0, abs=1.0)
    assert report["high_pass"]["corner_hz"] > report["high_pass"]["before_hz"]
    assert report["gate"]["recorded_db"] == pytest.approx(36.0, abs=2.0)
    assert report["gate"]["threshold_db"] is not None
    assert report["input"]["speech_dbfs"] == pytest.approx(-26.1, abs=0.5)


def test_comments_hold_the_numbers(made: Path, report: dict[str, Any]) -> None:
    text = " ".join((made / "my.toml").read_text("utf-8").replace("\n#", "").split())
    for number in (
        f"{report['drive']['ordinary_density_pct']:.1f} %",
        f"{report['gate']['recorded_db']:.0f} dB under the speech",
        f"{report['polarity']['turning_db']:.2f}".lstrip("-") + " dB of density",
        f"{report['tone']['before_rms_db']:.1f} dB rms",
        f"{report['leveller']['levelled_db']:.1f} dB",
        f"{report['phase_rotation']['gain_db']:.2f}".lstrip("-") + " dB of density",
    ):
        assert number in text
    assert text.count("As in everyday.") >= 3


def test_no_gate_is_told_as_the_file_has_it(report: dict[str, Any]) -> None:
    """The stage stays in the file and does nothing at a ratio of 1; its threshold stays too."""
    report["gate"] |= {"threshold_db": None, "ratio": 1.0, "range_db": 0.0}
    (gate,) = (choice for choice in choices(report) if choice.kind == "gate")
    assert gate.chosen.startswith("ratio 1, which is none")


def dotted(content: Mapping[str, Any], head: str = "") -> Iterator[str]:
    """Yield all keys, those of frequencies as in the table of keys."""
    for key, value in content.items():
        name = head + re.sub(r"^[\d.]+_hz$", "F_hz", key)
        if isinstance(value, Mapping) and name != "versions":
            yield from dotted(value, f"{name}.")
        else:
            yield name


def test_report_has_all_its_keys(report: dict[str, Any], capsys: Capsys) -> None:
    assert set(dotted(report)) == set(KEYS)
    assert run("fit", "--report-keys") == 0
    out = capsys.readouterr().out
    assert all(key in out for key in KEYS)


def test_dry_run_writes_nothing(made: Path, tmp_path: Path, capsys: Capsys) -> None:
    clip = write_sound(tmp_path / "me.flac", sound("M1_harvard_phrases"), subtype="PCM_24")
    assert run("fit", clip, "--dry-run", "--out", tmp_path / "v.toml", "--voice", "gentle") == 0
    out = capsys.readouterr().out
    assert "No voice is written" in out
    for title in ("High-pass", "Tone", "Leveller", "Polarity", "Phase rotation", "Gate", "Drive"):
        assert f"\n{title} " in out
    assert [file.name for file in tmp_path.iterdir()] == ["me.flac"]


OWN = """
name = "mine"
[[stages]]
kind = "condition"
phase = "linear"
[[stages]]
kind = "tone"
  [[stages.bands]]
  kind = "highshelf"
  corner_hz = 2000
  gain_db = 3
[[stages]]
kind = "leveller"
[[stages]]
kind = "drive"
drive_db = 9
[[stages]]
kind = "clipper"
[[stages]]
kind = "low_pass"
cutoff_hz = 3500.0
"""


def test_a_voice_of_ones_own_keeps_what_it_has(tmp_path: Path, capsys: Capsys) -> None:
    """Without gate and compressor, with a tone of its own and keys left out."""
    base = write_text(tmp_path / "own.toml", OWN)
    clip = write_sound(tmp_path / "me.wav", sound("M2_harvard_phrases"), subtype="PCM_24")
    out, saved = tmp_path / "my fitted voice.toml", tmp_path / "r.json"
    assert run("fit", clip, "--voice", base, "--out", out, "--report", saved) == 0
    # What it tells to type is what a shell takes for one word.
    assert shlex.split(capsys.readouterr().out)[-2:] == ["--voice", str(out)]
    before = documents.parse(OWN, "own")["stages"]
    after = documents.parse(out.read_text("utf-8"), "fitted")["stages"]
    kinds = [row["kind"] for row in after if row["kind"] != "polarity"]
    assert kinds == ["condition", "tone", "tone", "leveller", "drive", "clipper", "low_pass"]
    assert after[2] == before[1]
    assert after[-2:] == before[-2:]
    assert after[0] == {"kind": "condition", "phase": "linear"}
    content = json.loads(saved.read_text("utf-8"))
    assert content["gate"]["is_kept"]
    assert any("tone controls of its own" in note for note in content["notes"])


def silence() -> Array:
    return np.zeros(6 * RATE_HZ)


def tone() -> Array:
    return np.asarray(0.3 * np.sin(2 * np.pi * 440 * np.arange(6 * RATE_HZ) / RATE_HZ))


def keyed_tone() -> Array:
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    return np.asarray(tone() * np.clip(20 * np.sin(2 * np.pi * 1.5 * t), 0.0, 1.0))


def steady_noise() -> Array:
    noise = SpeechNoise(lowest_hz=80, highest_hz=8000, sample_rate_hz=RATE_HZ)
    return noise.at(0, 6 * RATE_HZ)


def short() -> Array:
    return sound("F1_harvard_phrases")[: 2 * RATE_HZ]


def mostly_silent() -> Array:
    return np.pad(short(), 2 * RATE_HZ)


def buried() -> Array:
    clip = np.pad(sound("F1_harvard_phrases"), RATE_HZ)
    noise = np.random.default_rng(9).standard_normal(len(clip))
    return np.asarray(clip + 10 ** (-(26.1 + 10) / 20) * noise)


def weak() -> Array:
    return np.asarray(0.02 * sound("M1_harvard_phrases"))


def faint() -> Array:
    return 0.05 * weak()


def clipped() -> Array:
    return np.clip(8.0 * sound("M1_harvard_phrases"), -1.0, 1.0)


def cut_flat() -> Array:
    """Clipped before the gain was turned down."""
    return np.asarray(0.4 * clipped())


REFUSED = {
    "silence": (silence, r"is silent"),
    "tone": (tone, r"no speech: its level moves by \d dB only, .*"),
    "keyed tone": (keyed_tone, r"no speech: [0-5] third octaves .*"),
    "noise": (steady_noise, r"no speech: its level moves by [0-4] dB only, .*"),
    "short": (short, r"too short: 2\.0 s of speech \(at least 3 s, better 20 s\)"),
    "mostly silent": (mostly_silent, r"too short: [12]\.\d s of speech .*"),
    "buried": (
        buried,
        r"too noisy: the pauses are (9|10|11) dB under the speech .*, or find what hums",
    ),
    "weak": (weak, r"too weak: the speech is at -6[01] dBFS \(at least -55 dBFS, .*"),
    "faint": (faint, r"too weak: the speech is too faint to measure \(at least -55 dBFS, .*"),
    "clipped": (clipped, r"\d+ samples are at full scale, .* record again with less gain"),
    "cut flat": (cut_flat, r"clipped: \d+ samples share the upper peak of -8\.0 dBFS; .*"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_recordings_of_no_use(name: str, tmp_path: Path, capsys: Capsys) -> None:
    samples, line = REFUSED[name]
    recording = write_sound(tmp_path / "me.wav", samples(), subtype="PCM_24")
    out = tmp_path / "my.toml"
    said = refusal(capsys, "fit", recording, "--out", out)
    assert re.fullmatch(f"carrierfloor fit: {re.escape(str(recording))}: {line}", said), said
    assert not out.exists()


def options_refused(capsys: Capsys, *options: object) -> str:
    head = "carrierfloor fit: "
    said = refusal(capsys, "fit", SPOKEN["M1_harvard_phrases"], *options)
    assert said.startswith(head)
    return said.removeprefix(head)


def test_a_file_that_is_there_stays(tmp_path: Path, capsys: Capsys) -> None:
    there = write_text(tmp_path / "my.toml", "mine")
    line = options_refused(capsys, "--out", there)
    assert line == f"{there} exists already; give another name, or move it away"
    assert there.read_text("utf-8") == "mine"


def test_wrong_options(tmp_path: Path, capsys: Capsys) -> None:
    out = tmp_path / "my.toml"
    assert options_refused(capsys).startswith("give --out FILE.toml")
    assert "the ending must be .toml" in options_refused(capsys, "--out", tmp_path / "my.txt")
    assert "there is no folder" in options_refused(capsys, "--out", tmp_path / "no" / "my.toml")
    line = options_refused(capsys, "--out", out, "--density", 99)
    assert line == "--density is 99 %; it must be 3 to 70 %"
    line = options_refused(capsys, "--out", out, "--voice", "bypass")
    assert "has no drive stage" in line
    line = options_refused(capsys, "--out", out, "--voice", "gentle", "--density", 69)
    assert re.match(r"a density of 69.0 % is out of reach .* it comes to \d\d\.\d %; ", line)
    assert not out.exists()
