"""The command ``level`` on files: every kind of recording, readings from a scope, all refusals.

Reference: the simulated transmitter's own level (tests/reference/transmitter.py, radio.py).
"""

import io
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
from rich.console import Console

from carrierfloor.cli import level_view
from carrierfloor.cli.level_report import KEYS
from carrierfloor.cli.report_file import flatten
from tests.cli.files import left_over, refusal, run, write_text
from tests.clips import Array
from tests.reference.radio import Radio, as_bytes, detector, resampled
from tests.reference.transmitter import FINE_HZ, Transmitter

Capsys = pytest.CaptureFixture[str]

FULL_DBFS = -8.3
RATE_HZ = 48_000
RIG = """\
# Mine.
name = "on the bench"

[level]
full_modulation_dbfs = -6.0  # a guess
"""
IQ = Radio(offset_hz=3000.0, drift_hz_per_s=5.0, carrier_to_noise_db=40.0)


class Bench:
    """A folder with a staircase and what an inverting transmitter makes of it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        steps = ["--first", -26, "--last", -3, "--step", 2, "--hold", 0.4, "--polarity-step"]
        files = ["--out", self / "stairs.wav", "--report", self.sent]
        assert run("tone", "staircase", *steps, *files) == 0
        card, _ = sf.read(self / "stairs.wav")
        transmitter = Transmitter((), -(10 ** (FULL_DBFS / 20)))
        self.envelope = transmitter.envelope(card)
        self.iq = IQ.iq(self.envelope, FINE_HZ)
        sf.write(self / "iq.wav", pair(self.iq), RATE_HZ, "PCM_16")
        low_if = Radio(offset_hz=12_000.0, carrier_to_noise_db=40.0)
        sf.write(self / "if.wav", low_if.low_if(self.envelope, FINE_HZ), RATE_HZ, "PCM_16")
        heard = detector(resampled(self.envelope, FINE_HZ, RATE_HZ), RATE_HZ, noise_db=45.0)
        sf.write(self / "detector.wav", heard, RATE_HZ, "PCM_16")
        sf.write(self / "upside-down.wav", -heard, RATE_HZ, "PCM_16")

    def __truediv__(self, name: str) -> Path:
        return self.folder / name

    @property
    def sent(self) -> Path:
        return self / "stairs.json"


def pair(iq: "np.ndarray[tuple[int], np.dtype[np.complex128]]") -> Array:
    return np.column_stack([iq.real, iq.imag])


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("bench"))


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    return write_text(tmp_path / "rig.toml", RIG)


def found(rig: Path, *arguments: object) -> Any:
    """Run the command; return its report."""
    report = rig.with_name("level.json")
    assert run("level", *arguments, "--rig", rig, "--report", report) == 0
    return json.loads(report.read_text("utf-8"))


KINDS = [
    (("iq.wav", "--kind", "iq"), 0.02),
    (("if.wav", "--kind", "if"), 0.02),
    (("detector.wav", "--kind", "detector"), 0.06),
]


@pytest.mark.parametrize(("arguments", "within_db"), KINDS, ids=["iq", "if", "detector"])
def test_a_recording_changes_the_rig_file(
    arguments: tuple[str, ...], within_db: float, bench: Bench, rig: Path, capsys: Capsys
) -> None:
    name, *options = arguments
    got = found(rig, "recording", bench / name, *options, "--sent", bench.sent)
    level = got["level"]
    assert level["full_modulation_dbfs"] == pytest.approx(FULL_DBFS, abs=within_db)
    assert abs(level["full_modulation_dbfs"] - FULL_DBFS) <= level["error_db"] + 0.002
    assert level["polarity"] == "inverted"
    text = rig.read_text()
    assert text.startswith("# Mine.")
    assert f"full_modulation_dbfs = {level['full_modulation_dbfs']:.3f}".rstrip("0") in text
    assert 'polarity = "inverted"' in text
    assert "a guess" in text or got["rig"]["backup"]
    assert Path(got["rig"]["backup"]).read_text() == RIG
    out = capsys.readouterr().out
    assert f"100 % at 1 kHz takes {level['full_modulation_dbfs']:.2f} dBFS" in out
    assert "polarity in the rig file was wrong" in " ".join(out.split())


def test_all_keys_of_the_report_are_described(bench: Bench, rig: Path) -> None:
    got = found(rig, "recording", bench / "iq.wav", "--kind", "iq", "--sent", bench.sent)
    keys = {key for key, _ in flatten(got) if not key.startswith("versions.")}
    rows = {f"readings.{key}" for row in got["readings"] for key in row}
    assert keys | rows | {"versions"} == set(KEYS)


def test_dry_run_changes_nothing(bench: Bench, rig: Path, capsys: Capsys) -> None:
    got = found(
        rig, "recording", bench / "iq.wav", "--kind", "iq", "--sent", bench.sent, "--dry-run"
    )
    assert rig.read_text() == RIG
    assert got["rig"]["written"] is False
    assert [change["what"] for change in got["rig"]["changes"]] == [
        "level.full_modulation_dbfs",
        "level.polarity",
    ]
    assert "is not changed (--dry-run)" in capsys.readouterr().out
    assert sorted(file.name for file in rig.parent.iterdir()) == ["level.json", "rig.toml"]


def test_the_sound_file_that_was_sent_will_do(bench: Bench, rig: Path) -> None:
    levels = [
        found(rig, "recording", bench / "iq.wav", "--kind", "iq", "--sent", bench / name)["level"]
        for name in ("stairs.json", "stairs.wav")
    ]
    one, other = (level["full_modulation_dbfs"] for level in levels)
    assert one == pytest.approx(other, abs=1e-3)
    assert levels[1]["polarity"] == "inverted"


@pytest.mark.parametrize(
    ("kind", "name", "within_db"),
    [
        ("u8", "raw.cu8", 0.02),
        ("s8", "raw.cs8", 0.02),
        ("s16", "raw.bin", 0.01),
        ("f32", "raw.cf32", 0.01),
    ],
)
def test_raw_samples(
    kind: str, name: str, within_db: float, bench: Bench, rig: Path, tmp_path: Path
) -> None:
    """An odd byte at the end, as where a recording was broken off, does no harm."""
    (tmp_path / name).write_bytes(as_bytes(bench.iq, kind) + b"\x01")
    named = ["--format", kind] if name.endswith("bin") else []
    got = found(
        rig, "recording", tmp_path / name, "--rate", RATE_HZ, *named, "--kind", "iq",
        "--sent", bench.sent,
    )  # fmt: skip
    assert got["level"]["full_modulation_dbfs"] == pytest.approx(FULL_DBFS, abs=within_db)


@pytest.mark.parametrize(
    ("late_s", "fewest", "most", "words"),
    [(0.9, 1, 1, "1 step of the staircase is not"), (1.4, 2, 4, "steps of the staircase are not")],
)
def test_a_recording_that_misses_steps_says_so(
    late_s: float, fewest: int, most: int, words: str, bench: Bench, rig: Path, tmp_path: Path
) -> None:
    part = tmp_path / "late.wav"
    sf.write(part, pair(bench.iq)[round(late_s * RATE_HZ) :], RATE_HZ, "PCM_16")
    got = found(rig, "recording", part, "--kind", "iq", "--sent", bench.sent)
    assert got["level"]["full_modulation_dbfs"] == pytest.approx(FULL_DBFS, abs=0.02)
    assert fewest <= got["recording"]["steps_missed"] <= most
    assert any(f"{words} in the recording" in one for one in got["notes"])


def test_a_refusal_says_that_steps_are_missing(
    bench: Bench, rig: Path, tmp_path: Path, capsys: Capsys
) -> None:
    """Stopped in the fifth of thirteen steps: not louder steps are needed, but all of them."""
    part = tmp_path / "early.wav"
    sf.write(part, pair(bench.iq)[: round(2.0 * RATE_HZ)], RATE_HZ, "PCM_16")
    arguments = ["level", "recording", part, "--kind", "iq", "--sent", bench.sent, "--rig", rig]
    line = refusal(capsys, *arguments)
    assert "too far from the negative limit" in line
    assert re.search(r"; (8|9|10) of the 13 steps that were sent are not in the recording", line)


@pytest.mark.parametrize("way", ["iq", "scope"])
def test_no_digit_is_cut_on_a_narrow_screen(way: str, bench: Bench, rig: Path) -> None:
    """Sixty columns hold what eighty do, but for the space between them."""
    iq = ["recording", bench / "iq.wav", "--kind", "iq", "--sent", bench.sent]
    report = found(rig, *(iq if way == "iq" else ["scope", *SCOPE]))
    texts = []
    for width in (60, 100):
        file = io.StringIO()
        level_view.show(report, Console(width=width, file=file))
        texts.append(file.getvalue())
    assert "…" not in texts[0]
    numbers = [re.findall(r"[-+]?\d+\.\d+", text) for text in texts]
    assert numbers[0] == numbers[1]


def test_an_inverting_detector(bench: Bench, rig: Path, capsys: Capsys) -> None:
    arguments = ["--kind", "detector", "--sent", bench.sent]
    line = refusal(
        capsys, "level", "recording", bench / "upside-down.wav", *arguments, "--rig", rig
    )
    assert "the crests are flat and the troughs are not" in line
    got = found(rig, "recording", bench / "upside-down.wav", *arguments, "--inverted")
    assert got["level"]["full_modulation_dbfs"] == pytest.approx(FULL_DBFS, abs=0.06)
    assert got["level"]["polarity"] == "inverted"


SCOPE = ["--carrier", 4, "--reading", -20, 5.04, 2.96, "--reading", -14, 6.08, 1.92]
DEEPER = ["--reading", -11, 6.93, 1.07, "--reading", -9.5, 7.48, 0.52]


def test_readings_from_a_scope(rig: Path) -> None:
    """Heights of 4 (1 + m) and 4 (1 - m) with m = 10^((level + 8.3) / 20), to 0.01 divisions."""
    got = found(rig, "scope", *SCOPE, *DEEPER, "--uneven", 4.9, 2.2)
    assert got["level"]["full_modulation_dbfs"] == pytest.approx(FULL_DBFS, abs=0.02)
    assert got["level"]["polarity"] == "inverted"
    assert [row["used"] for row in got["readings"]] == [True] * 4
    assert got["method"] == "scope"


def test_uneven_readings_use_both_definitions(rig: Path, capsys: Capsys) -> None:
    """Crests compressed to 0.6 of the trough: (A - B)/(A + B) would find 3 % too little."""
    got = found(rig, "scope", *SCOPE, "--reading", -11, 5.75, 1.07, "--reading", -9.5, 6.1, 0.52)
    assert got["level"]["full_modulation_dbfs"] == pytest.approx(FULL_DBFS, abs=0.02)
    assert got["linearity"]["crest_at_limit_pct"] < 60.0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Positive peaks are compressed" in shown
    assert "it is right for a symmetric envelope only" in shown
    assert "A sine cannot tell the polarity" in shown


def test_a_reading_that_contradicts_is_named(rig: Path, capsys: Capsys) -> None:
    wrong = ["--reading", -12, 6.6, 2.4, "--reading", -16, 5.65, 2.35]
    got = found(rig, "scope", *SCOPE, *DEEPER, *wrong)
    assert [row["level_dbfs"] for row in got["readings"] if row["contradicts"]] == [-12]
    assert got["level"]["full_modulation_dbfs"] == pytest.approx(FULL_DBFS, abs=0.03)
    shown = " ".join(capsys.readouterr().out.split())
    assert "The reading at -12.0 dBFS contradicts all others" in shown


def scope_refusals() -> list[tuple[list[object], str]]:
    return [
        ([], "nothing to go by"),
        (["--reading", -20, 5, 3], "--reading takes DBFS CREST TROUGH CARRIER"),
        (["--reading", 3, 5, 3, 4], "levels are -120 to 0 dBFS"),
        (["--reading", -20, 3, 5, 4], "the crest, 3, is lower than the trough, 5"),
        (["--reading", -20, 5, 3, 1], "does not lie between trough"),
        (["--reading", -20, 4.01, 3.99, 4], "too little to tell the level from"),
        ([*SCOPE, "--uneven", 5], "--uneven takes CREST TROUGH CARRIER"),
        ([*SCOPE, "--reading-error", 50], "--reading-error is 50 %"),
        ([*SCOPE, "--output", "x"], "leave --reading and --uneven out"),
        (["--reading", -1, 6, 2, 4], "100 % would take +5.0 dBFS, more than a sound card gives"),
        (["--reading", -60, 6, 2, 4], "turn the transmitter's audio gain down"),
        ([*SCOPE, "--report", "x.csv"], "the ending must be .json"),
        ([*SCOPE, "--rig", "plate-modulated"], "ships with carrierfloor"),
        (["--reading", "loud"], "invalid float value"),
    ]


@pytest.mark.parametrize(
    ("arguments", "words"), scope_refusals(), ids=[words for _, words in scope_refusals()]
)
def test_scope_refusals(arguments: list[object], words: str, rig: Path, capsys: Capsys) -> None:
    assert words in refusal(capsys, "level", "scope", "--rig", rig, *arguments)
    assert rig.read_text() == RIG


RECORDING_REFUSALS: list[tuple[str, list[object], str]] = [
    ("iq.wav", ["--kind", "detector"], "give --kind iq if they are I and Q"),
    ("iq.wav", ["--kind", "if"], "give --kind iq if they are I and Q"),
    ("iq.wav", ["--kind", "detector", "--channel", "left"], "is the kind of the recording wrong?"),
    ("detector.wav", ["--kind", "iq"], "an IQ recording has 2 channels, this has 1"),
    ("detector.wav", ["--kind", "if"], "give the right kind"),
    ("if.wav", ["--kind", "detector"], "is the kind of the recording wrong?"),
    ("same.wav", ["--kind", "iq"], "both channels are the same"),
    ("left.wav", ["--kind", "iq"], "channel 2 is silent"),
    ("silent.wav", ["--kind", "detector"], "is silent"),
    ("silent.wav", ["--kind", "if"], "is silent"),
    ("noise.wav", ["--kind", "if"], "no carrier is in it"),
    ("noise.wav", ["--kind", "detector"], "no tone of 1000 Hz is in it"),
    ("clipped.wav", ["--kind", "iq"], "the recording is clipped; record again with less gain"),
    ("gain.wav", ["--kind", "iq"], "switch the receiver's automatic gain off"),
    ("middle.wav", ["--kind", "iq"], "nothing tells which step is which"),
    ("shallow.wav", ["--kind", "detector"], "no trough is flat"),
    ("overloaded.wav", ["--kind", "detector"], "turn the detector's signal down before it"),
    ("iq.wav", ["--kind", "iq", "--rate", 48_000], "--rate is for raw files"),
    ("iq.wav", ["--kind", "iq", "--format", "u8"], "give --rate HZ"),
    ("iq.wav", ["--kind", "iq", "--format", "u8", "--rate", 9e9], "it must be 8000 to 4000000 Hz"),
    ("iq.wav", ["--kind", "iq", "--width", 90_000], "half width is 90000 Hz"),
    ("iq.wav", ["--kind", "iq", "--carrier", 90_000], "carrier is 90000 Hz"),
    ("iq.wav", ["--kind", "iq", "--inverted"], "--inverted goes with --kind detector only"),
    ("iq.wav", ["--kind", "iq", "--knee", 3], "--knee goes with --kind detector only"),
    ("if.wav", ["--kind", "if", "--channel", "right-hand"], "channel is 'right-hand'"),
    ("gone.wav", ["--kind", "iq"], "No such file"),
    ("stairs.json", ["--kind", "iq"], "not a sound file"),
    ("iq.wav", ["--kind", "am"], "invalid choice: 'am'"),
]


@pytest.fixture(scope="module")
def bad(bench: Bench) -> Bench:
    """Add recordings that no level can be told from."""
    iq, random = pair(bench.iq), np.random.default_rng(3)
    mono, _ = sf.read(bench / "if.wav")
    middle = slice(round(1.5 * RATE_HZ), round(2.9 * RATE_HZ))
    jump = np.where(np.arange(len(iq)) < 2.7 * RATE_HZ, 1.0, 0.7)[:, np.newaxis]
    heard = detector(resampled(bench.envelope, FINE_HZ, RATE_HZ), RATE_HZ)
    for name, samples in {
        "same.wav": np.column_stack([mono, mono]),
        "left.wav": iq * [1.0, 0.0],
        "silent.wav": np.zeros(RATE_HZ),
        "noise.wav": 0.1 * random.normal(size=3 * RATE_HZ),
        "clipped.wav": 4.0 * iq,
        "gain.wav": jump * iq,
        "middle.wav": iq[middle],
        "shallow.wav": heard[: round(4.2 * RATE_HZ)],  # before the carrier is ever cut off
        "overloaded.wav": np.clip(heard, -0.18, 0.18),  # at 60 % of a carrier of 0.3
    }.items():
        sf.write(bench / name, samples, RATE_HZ, "PCM_16")
    return bench


@pytest.mark.parametrize(
    ("name", "arguments", "words"),
    RECORDING_REFUSALS,
    ids=[f"{name} {' '.join(map(str, options))}" for name, options, _ in RECORDING_REFUSALS],
)
def test_recording_refusals(
    name: str, arguments: list[object], words: str, bad: Bench, rig: Path, capsys: Capsys
) -> None:
    line = refusal(
        capsys, "level", "recording", bad / name, *arguments, "--sent", bad.sent, "--rig", rig
    )
    assert words in line
    assert rig.read_text() == RIG
    assert left_over(rig.parent) == []


def test_what_was_sent_must_be_a_staircase(
    bench: Bench, rig: Path, tmp_path: Path, capsys: Capsys
) -> None:
    run(
        "tone",
        "sine",
        "--seconds",
        1,
        "--out",
        tmp_path / "sine.wav",
        "--report",
        tmp_path / "sine.json",
    )
    write_text(tmp_path / "odd.json", '{"kind": "staircase"}')
    write_text(tmp_path / "list.json", "[]")
    sf.write(tmp_path / "noise.wav", 0.1 * np.random.default_rng(1).normal(size=RATE_HZ), RATE_HZ)
    for name, words in (
        ("sine.json", "the report of a sine; give that of a staircase"),
        ("odd.json", "not a report of carrierfloor tone staircase"),
        ("list.json", "not a report of carrierfloor tone staircase"),
        ("noise.wav", "no tone between 200 and 5000 Hz is in it"),
        ("gone.json", "No such file"),
    ):
        line = refusal(
            capsys, "level", "recording", bench / "iq.wav", "--kind", "iq", "--rig", rig,
            "--sent", tmp_path / name,
        )  # fmt: skip
        assert words in line
        assert str(tmp_path / name) in line


def test_a_tone_of_another_frequency_goes_through_the_rigs_path(rig: Path) -> None:
    """A first-order high-pass at 500 Hz passes 0.7071 at 500 Hz and 0.8944 at 1 kHz: -2.041 dB."""
    path = '\n[[paths]]\nname = "a"\n[[paths.sections]]\nkind = "highpass"\ncorner_hz = 500.0\n'
    with rig.open("a") as file:
        file.write(path)
    got = found(rig, "scope", *SCOPE, *DEEPER, "--frequency", 500)
    assert got["level"]["full_modulation_dbfs"] == pytest.approx(FULL_DBFS - 2.041, abs=0.02)


def test_help(capsys: Capsys) -> None:
    for way in ("scope", "recording"):
        assert run("level", way, "--help") == 0
        assert capsys.readouterr().out.startswith(f"usage: carrierfloor level {way}")
        assert run("level", way, "--report-keys") == 0
        out = capsys.readouterr().out
        assert all(key in out for key in KEYS)
