"""The command simulate, on real files: read back as recordings, and held against its truth."""

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.cli.recording_in import RecordingIn
from carrierfloor.cli.recording_out import storage_of
from carrierfloor.cli.simulate_report import KEYS
from carrierfloor.dsp.demodulate import Demodulator
from tests.cli.files import (
    FLAT_RIG,
    FULL,
    PATH_RIG,
    left_over,
    refusal,
    run,
    talk,
    write_sound,
    write_text,
)
from tests.clips import Array
from tests.reference import cut_off_tone

Capsys = pytest.CaptureFixture[str]
RATE_HZ = 48_000


@pytest.fixture(autouse=True)
def nothing_unfinished(tmp_path: Path) -> Iterator[None]:
    yield
    assert left_over(tmp_path) == []


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    return write_text(tmp_path / "rig.toml", FLAT_RIG)


def tone(path: Path, m: float, seconds: float = 1.0, rate_hz: int = RATE_HZ) -> Path:
    """Write a tone of 1 kHz that makes m, with soft ends of 0.1 s."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    soft = np.sin(np.pi / 2 * np.minimum(1.0, np.minimum(t, seconds - t) / 0.1)) ** 2
    return write_sound(path, m * FULL * soft * np.sin(2 * np.pi * 1000 * t), rate_hz=rate_hz)


def made(folder: Path, audio: Path, name: str, rig: Path, *options: object) -> dict[str, Any]:
    """Run the command; return its report."""
    report = folder / "truth.json"
    given = [audio, folder / name, "--rig", rig, "--carrier-s", "0.3", "--report", report]
    assert run("simulate", *given, *options) == 0
    content: dict[str, Any] = json.loads(report.read_text())
    return content


def samples_of(path: Path, kind: str, **options: Any) -> Array:
    with RecordingIn(path, kind, **options) as recording:
        return np.concatenate(list(recording.blocks()))


def dotted(report: Mapping[str, Any], head: str = "") -> Iterator[str]:
    for key, value in report.items():
        if isinstance(value, Mapping):
            yield from dotted(value, f"{head}{key}.")
        else:
            yield f"{head}{key}"


@pytest.mark.parametrize("pct", [30.0, 85.0, 95.0, 105.0, 125.0])
def test_truth_of_a_tone(pct: float, tmp_path: Path, rig: Path) -> None:
    """m both ways; cut off for arccos(1/m)/pi of each cycle; PEP (1 + m)^2."""
    report = made(tmp_path, tone(tmp_path / "a.wav", pct / 100), "a.wav.wav", rig, "--kind", "iq")
    modulation, m = report["modulation"], pct / 100
    assert modulation["positive_peak_pct"] == pytest.approx(pct, abs=0.01)
    assert modulation["negative_peak_pct"] == pytest.approx(min(100.0, pct), abs=0.01)
    assert modulation["wanted_negative_peak_pct"] == pytest.approx(pct, abs=0.01)
    assert modulation["pep_ratio"] == pytest.approx((1 + m) ** 2, rel=1e-3)
    longest_ms = cut_off_tone.off_part(m) if m > 1 else 0.0
    assert modulation["cutoff_longest_ms"] == pytest.approx(longest_ms, abs=1e-3)
    assert all(0.3 < at_s < 1.3 for at_s in modulation["cutoff_times_s"])
    assert (modulation["cutoffs"] > 800) == (m > 1)


def test_demodulated_recording_agrees_with_its_truth(tmp_path: Path) -> None:
    """Speech-like sound through a path, as raw bytes at 1 MHz, found again within 0.3 %."""
    path_rig = write_text(tmp_path / "path.toml", PATH_RIG)
    audio = write_sound(tmp_path / "a.wav", talk(RATE_HZ, 2.0, 0.4))
    report = made(
        tmp_path, audio, "sdr.cs16", path_rig, "--kind", "iq", "--rate", 1_024_000,
        "--offset-hz", 3000, "--drift-hz-per-s", 20, "--carrier-to-noise", 50,
    )  # fmt: skip
    samples = samples_of(tmp_path / "sdr.cs16", "iq", rate_hz=1_024_000.0)
    demodulator = Demodulator(1_024_000.0, is_complex=True)
    parts = [demodulator.process(samples), demodulator.finish()]
    envelope = np.concatenate([part.in_phase for part in parts])
    carrier = report["recording"]["carrier_amplitude"]
    m = envelope[2400:-2400] / carrier - 1.0
    modulation = report["modulation"]
    assert 100 * m.max() == pytest.approx(modulation["positive_peak_pct"], abs=0.8)
    assert -100 * m.min() == pytest.approx(modulation["negative_peak_pct"], abs=0.8)
    begins, ends = (
        round(report["recording"][f"audio_{x}_s"] * RATE_HZ) for x in ("begins", "ends")
    )
    during = envelope[begins:ends] / carrier - 1.0
    assert 100 * np.sqrt(np.mean(during**2)) == pytest.approx(modulation["rms_pct"], abs=0.3)
    crest = round(modulation["positive_peak_s"] * RATE_HZ) - 2400
    assert 100 * m[crest] == pytest.approx(modulation["positive_peak_pct"], abs=1.5)


STORED = [  # name, options, samples of a step of full scale, how it is read
    ("a.wav", ("--subtype", "PCM_U8"), 128, {}),
    ("a.wav", ("--subtype", "PCM_16"), 2**15, {}),
    ("a.wav", (), 2**23, {}),
    ("a.cu8", (), 127.5, {"rate_hz": 96_000.0}),
    ("a.cs8", (), 128, {"rate_hz": 96_000.0}),
    ("a.iq", (), 2**15, {"rate_hz": 96_000.0, "raw_format": "s16"}),
    ("a.raw", ("--format", "f32"), 2**24, {"rate_hz": 96_000.0, "raw_format": "f32"}),
]


@pytest.mark.parametrize(("name", "options", "steps", "reading"), STORED)
def test_every_way_of_storing_holds_the_same(
    name: str, options: Any, steps: float, reading: Any, tmp_path: Path, rig: Path
) -> None:
    """Rounded to the nearest step, against 64-bit floats."""
    audio = tone(tmp_path / "in.wav", 0.8, 0.2)
    options = ("--kind", "iq", "--offset-hz", 500, *options)
    made(
        tmp_path, audio, "exact.wav", rig, "--kind", "iq", "--offset-hz", 500, "--subtype", "DOUBLE"
    )
    report = made(tmp_path, audio, name, rig, *options)
    exact = samples_of(tmp_path / "exact.wav", "iq")
    got = samples_of(tmp_path / name, "iq", **reading)
    assert len(got) == len(exact) == report["recording"]["frames"] == round(0.8 * 96_000)
    error = np.concatenate([(got - exact).real, (got - exact).imag])
    assert 0.4 / steps < np.abs(error).max() <= 0.5001 / steps or steps == 2**24
    assert np.abs(error).max() < 0.51 / steps
    assert report["recording"]["clipped_samples"] == 0


@pytest.mark.parametrize("name", ["a.flac", "a.wav", "a.raw"])
@pytest.mark.parametrize("kind", ["if", "detector"])
def test_one_channel_for_what_is_no_iq(kind: str, name: str, tmp_path: Path, rig: Path) -> None:
    report = made(tmp_path, tone(tmp_path / "in.wav", 0.8), name, rig, "--kind", kind)
    reading = {"rate_hz": 48_000.0, "raw_format": "s16"} if name == "a.raw" else {}
    got = samples_of(tmp_path / name, kind, **reading)
    recording = report["recording"]
    assert len(got) == recording["frames"] == round(1.6 * RATE_HZ)
    assert 20 * np.log10(np.abs(got).max()) == pytest.approx(recording["peak_dbfs"], abs=0.01)
    assert recording["carrier_hz"] == (12_000.0 if kind == "if" else None)
    assert (report["detector"]["coupling_hz"] == 2.0) == (kind == "detector")


def test_a_large_recording_gets_a_header_that_can_say_so(tmp_path: Path) -> None:
    """A plain WAV counts to 4 GiB: 300 s of 24-bit IQ at 2.4 MHz are 4.3 GB."""
    given: dict[str, Any] = {"channels": 2, "rate_hz": 2_400_000}
    small = storage_of(tmp_path / "a.wav", frames=298 * 2_400_000, **given)
    large = storage_of(tmp_path / "a.wav", frames=300 * 2_400_000, **given)
    assert (small.container, large.container) == ("WAV", "RF64")


def test_report_holds_what_its_keys_say(tmp_path: Path, rig: Path) -> None:
    report = made(tmp_path, tone(tmp_path / "a.wav", 0.5, 0.2), "b.wav", rig, "--kind", "iq")
    found = {key for key in dotted(report) if not key.startswith("versions.")} | {"versions"}
    assert found == set(KEYS)


def test_keys_are_listed(capsys: Capsys) -> None:
    assert run("simulate", "--report-keys") == 0
    out = capsys.readouterr().out
    assert all(key in out for key in KEYS)


def test_what_is_shown(tmp_path: Path, rig: Path, capsys: Capsys) -> None:
    audio = tone(tmp_path / "a.wav", 1.5)
    made(
        tmp_path, audio, "b.wav", rig, "--kind", "detector", "--detector-knee", 5, "--detector-rc",
        0.1, "--hum-db", -40, "--neighbour-db", -20, "--fading-db", 6, "--fading-delay-ms", 1,
        "--carrier-to-noise", 30, "--compress", 120, "--level", "-3", "--third-pct", "-2",
    )  # fmt: skip
    out = capsys.readouterr().out
    for words in (
        "detector, 48000 Hz, WAV PCM_24",
        "knee 5 %, RC 0.1 ms, AC-coupled from 2 Hz",
        "-40 dB at 120 Hz",
        "6 dB, 0.2 a second, second ray 1 ms late",
        "-20 dB, +10000 Hz away",
        "30 dB in 10000 Hz",
        "second 0 %, third -2 %",
        "compressed above 120 %",
        "100.0 % (the audio asks for 13",
        "The carrier goes off at 0.3",
        "samples of the recording are clipped; a lower --level",
    ):
        assert words in out
    assert f"Written: {tmp_path / 'b.wav'}" in out


@pytest.mark.parametrize(
    ("kind", "hz", "is_outside"),
    [("iq", 47_000, False), ("iq", -49_000, True), ("if", -11_000, False), ("if", -13_000, True)],
)
def test_a_neighbour_that_is_not_recorded_is_said_so(
    kind: str, hz: float, is_outside: bool, tmp_path: Path, rig: Path
) -> None:
    """The rate as a person writes it, too."""
    audio = tone(tmp_path / "a.wav", 0.5, 0.1)
    options = ("--kind", kind, "--rate", "9.6e4", "--neighbour-db", -10, "--neighbour-hz", hz)
    notes = made(tmp_path, audio, "b.wav", rig, *options)["notes"]
    assert any("lies outside of what is recorded" in note for note in notes) == is_outside


def test_same_seed_same_bytes(tmp_path: Path, rig: Path) -> None:
    audio = tone(tmp_path / "a.wav", 0.5, 0.2)
    options = ("--kind", "if", "--carrier-to-noise", 20)
    for name, seed in (("1.wav", 1), ("2.wav", 1), ("3.wav", 2)):
        made(tmp_path, audio, name, rig, *options, "--seed", seed)
    one, same, other = ((tmp_path / f"{n}.wav").read_bytes() for n in (1, 2, 3))
    assert one == same != other


def test_any_sound_file_is_taken(tmp_path: Path, rig: Path) -> None:
    """44.1 kHz, two channels, the right one with twice the sound."""
    t = np.arange(44_100) / 44_100
    wave = 0.3 * FULL * np.sin(2 * np.pi * 500 * t) * np.hanning(44_100)
    audio = tmp_path / "a.flac"
    sf.write(audio, np.column_stack([wave, 2 * wave]), 44_100, subtype="PCM_24")
    peaks = [
        made(tmp_path, audio, "b.wav", rig, "--kind", "if", "--channel", channel)["modulation"]
        for channel in ("left", "right", "mix")
    ]
    got = [peak["positive_peak_pct"] for peak in peaks]
    assert got == pytest.approx([30.0, 60.0, 45.0], abs=0.05)


def test_path_of_the_rig_is_taken_by_name(tmp_path: Path) -> None:
    """1 kHz through a high-pass of first order and 1 kHz has gain 1; 100 Hz has 0.1 x sqrt 2."""
    text = FLAT_RIG + '[[paths]]\nname = "flat"\n[[paths]]\nname = "thin"\n'
    text += '  [[paths.sections]]\n  kind = "highpass"\n  corner_hz = 1000.0\n'
    rig = write_text(tmp_path / "two.toml", text)
    t = np.arange(RATE_HZ) / RATE_HZ
    wave = 0.5 * FULL * np.sin(2 * np.pi * 100 * t) * np.sin(np.pi * t) ** 0.5
    audio = write_sound(tmp_path / "a.wav", wave)
    flat = made(tmp_path, audio, "b.wav", rig, "--kind", "iq")
    thin = made(tmp_path, audio, "b.wav", rig, "--kind", "iq", "--path", "thin")
    assert flat["rig"]["path"] == "flat"
    assert flat["modulation"]["positive_peak_pct"] == pytest.approx(50.0, abs=0.1)
    expected = 50.0 * math.sqrt(2.0) * 0.1 / math.sqrt(1.01)
    assert thin["modulation"]["positive_peak_pct"] == pytest.approx(expected, rel=0.02)


REFUSED: list[tuple[str, tuple[object, ...], str]] = [
    ("b.mp3", ("--kind", "iq"), "the ending must be .wav, .flac or raw: .iq, .raw, .cu8"),
    ("b.flac", ("--kind", "iq"), "a FLAC file is for one channel of at most 655350 Hz here"),
    ("b.flac", ("--kind", "detector", "--rate", 1_000_000), "a FLAC file is for one channel"),
    ("b.wav", ("--kind", "iq", "--format", "u8"), "--format is for raw files (.iq, .raw)"),
    ("b.iq", ("--kind", "iq", "--subtype", "PCM_16"), "--subtype is for sound files"),
    ("b.cu8", ("--kind", "iq", "--format", "s8"), "--format s8 does not go with .cu8"),
    ("b.wav", ("--kind", "iq", "--subtype", "ULAW"), "sample type ULAW is not allowed"),
    ("b.wav", ("--kind", "am"), "argument --kind: invalid choice: 'am'"),
    ("b.wav", (), "the following arguments are required: --kind"),
    ("no/b.wav", ("--kind", "iq"), "there is no folder"),
    ("no/b.iq", ("--kind", "iq"), "there is no folder"),
    ("b.wav", ("--kind", "iq", "--rate", 8000), "rate_hz is 8000 Hz; it must be 48000 to 3000000"),
    ("b.wav", ("--kind", "iq", "--level", "nan"), "level_dbfs is nan dBFS; it must be -100 to 0"),
    ("b.wav", ("--kind", "iq", "--path", "80 m"), "path is '80 m'; the rig has"),
    ("b.wav", ("--kind", "iq", "--detector-rc", 1), "rc goes with the kind detector only"),
    ("b.wav", ("--kind", "iq", "--carrier-hz", 9000), "carrier hz goes with the kind if only"),
    ("b.wav", ("--kind", "iq", "--rate", "96 k"), "'96 k' is no whole number of Hz"),
    ("b.wav", ("--kind", "iq", "--rate", "96000.5"), "'96000.5' is no whole number of Hz"),
    ("b.wav", ("--kind", "iq", "--keep-alive", 99), "keep_alive_pct is 99 %; it must be 0.1 to 50"),
    ("b.wav", ("--kind", "iq", "--channel", 3), "channel is '3'; it must be mix, left, right or 1"),
    ("b.wav", ("--kind", "iq", "--drift-hz-per-s", 9000, "--carrier-s", 5), "the carrier is +"),
    ("b.raw", ("--kind", "iq", "--drift-hz-per-s", 9000, "--carrier-s", 5), "the carrier is +"),
    ("b.wav", ("--kind", "iq", "--report", "r.txt"), "the ending must be .json or .csv"),
    ("a.wav", ("--kind", "iq"), "is the input"),
    ("b.wav", ("--kind", "iq", "--rig", "nobody"), "nobody"),
]


@pytest.mark.parametrize(("name", "options", "words"), REFUSED)
def test_refusals(
    name: str, options: Any, words: str, tmp_path: Path, rig: Path, capsys: Capsys
) -> None:
    """One line, status 2, and no file."""
    audio = write_sound(tmp_path / "a.wav")
    before = audio.read_bytes()
    line = refusal(capsys, "simulate", audio, tmp_path / name, "--rig", rig, *options)
    assert words in line
    assert audio.read_bytes() == before
    assert sorted(file.name for file in tmp_path.iterdir()) == ["a.wav", "rig.toml"]


@pytest.mark.parametrize("content", [b"", b"no sound at all, only words" * 100])
def test_refuses_what_is_no_sound(content: bytes, tmp_path: Path, capsys: Capsys) -> None:
    audio = tmp_path / "a.wav"
    audio.write_bytes(content)
    line = refusal(capsys, "simulate", audio, tmp_path / "b.wav", "--kind", "iq")
    assert str(audio) in line
    assert not (tmp_path / "b.wav").exists()


def test_a_recording_that_is_there_stays_if_the_new_one_fails(
    tmp_path: Path, rig: Path, capsys: Capsys
) -> None:
    audio, old = write_sound(tmp_path / "a.wav"), tmp_path / "b.raw"
    old.write_bytes(b"old")
    options = ("--kind", "iq", "--drift-hz-per-s", 9000, "--carrier-s", 5)
    refusal(capsys, "simulate", audio, old, "--rig", rig, *options)
    assert old.read_bytes() == b"old"
