"""``measure``: every refusal, from real files, on one line, with the rig file untouched."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from tests.cli.files import PATH_RIG, left_over, refusal, run, talk, write_text
from tests.clips import Array
from tests.reference.capture import Capture
from tests.reference.transmitter import RATE_HZ, Sections, Transmitter

Capsys = pytest.CaptureFixture[str]
FULL = 10 ** (-6 / 20)  # of PATH_RIG
ROWS = ({"kind": "highpass", "corner_hz": 55.0, "q": 0.8}, {"kind": "lowpass", "corner_hz": 6e3})
TRANSMITTER = Transmitter(blocks=(Sections(ROWS),), full_modulation=FULL)
HEARD = Capture(noise_db=50.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: Any) -> Path:
    made: Path = tmp_path_factory.mktemp("captures")
    rig = write_text(made / "rig.toml", PATH_RIG)
    for name, *options in (("sweep", "--seconds", 2), ("other", "--seconds", 3)):
        arguments = ["--rig", rig, "--level", 50, "--out", made / f"{name}.wav", *options]
        assert run("tone", "sweep", *arguments) == 0
    card = sf.read(made / "sweep.wav")[0]
    sf.write(made / "capture.wav", HEARD.record(TRANSMITTER, card), RATE_HZ, "PCM_16")
    return made


def clipped(card: Array) -> Array:
    """The sound card was driven 3 dB too far."""
    return np.clip(1.4 * replace(HEARD, peak=1.0).record(TRANSMITTER, card), -1.0, 1.0)


def noisy(card: Array) -> Array:
    """14 dB over the whole band, 18 dB within the sweep's; 20 are needed."""
    return replace(HEARD, noise_db=14.0).record(TRANSMITTER, card)


def silent(card: Array) -> Array:
    return np.zeros(len(card))


def unplugged(card: Array) -> Array:
    """Nothing but the last bits of a sound card."""
    return np.random.default_rng(1).integers(-2, 3, len(card)) / 32768.0


def quiet(card: Array) -> Array:
    """Six steps of a 16-bit card: they look like flat crests, and less level would be wrong."""
    return replace(HEARD, peak=6.4 / 32768.0).record(TRANSMITTER, card)


def twice(card: Array) -> Array:
    """The sweep was played twice."""
    return np.tile(HEARD.record(TRANSMITTER, card), 2)


def truncated(card: Array) -> Array:
    """The recorder was stopped a second before the end."""
    return HEARD.record(TRANSMITTER, card)[: len(card) - RATE_HZ]


def late(card: Array) -> Array:
    """The recorder was started half a second after the beginning."""
    return replace(HEARD, delay_s=-0.5).record(TRANSMITTER, card)


def cut_off(card: Array) -> Array:
    """The sweep was played 8 dB too loud: the carrier goes off in every trough."""
    return HEARD.record(TRANSMITTER, 2.5 * card)


def speech(card: Array) -> Array:
    return talk(RATE_HZ, len(card) / RATE_HZ)


BAD: list[tuple[Callable[[Array], Array], str]] = [
    (clipped, "the capture is clipped at full scale"),
    (noisy, "the capture is too noisy"),
    (silent, "the capture is silent"),
    (unplugged, "the capture is silent"),
    (quiet, "too quiet for its few bits: 13 different values"),
    (twice, "holds it more than once"),
    (truncated, "the capture is truncated"),
    (late, "the first 0.50 s of the sweep are missing"),
    (cut_off, "troughs are cut flat"),
    (speech, "does not hold the sweep that was played"),
]


@pytest.mark.parametrize(("make", "words"), BAD, ids=[make.__name__ for make, _ in BAD])
def test_captures(
    make: Callable[[Array], Array], words: str, folder: Path, tmp_path: Path, capsys: Capsys
) -> None:
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    capture = tmp_path / "capture.wav"
    sf.write(capture, make(sf.read(folder / "sweep.wav")[0]), RATE_HZ, "PCM_16")
    line = refusal(capsys, "measure", folder / "sweep.wav", capture, "--rig", rig)
    assert line.startswith(f"carrierfloor measure: {capture}: ")
    assert words in line
    assert len(line) < 300 + len(str(capture))
    assert_untouched(rig)


def test_samples_that_are_no_numbers(folder: Path, tmp_path: Path, capsys: Capsys) -> None:
    """A recorder that failed for a moment, before the sweep or within it."""
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    capture = tmp_path / "capture.wav"
    samples = sf.read(folder / "capture.wav")[0]
    samples[30_000:30_002] = np.nan, np.inf
    sf.write(capture, samples, RATE_HZ, "FLOAT")
    line = refusal(capsys, "measure", folder / "sweep.wav", capture, "--rig", rig)
    assert "2 samples are no numbers" in line
    assert_untouched(rig)


def test_channels_that_are_not_one_signal(folder: Path, tmp_path: Path, capsys: Capsys) -> None:
    """The detector left, what was played right: mixed they look like a path, of another rig."""
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    heard, card = sf.read(folder / "capture.wav")[0], sf.read(folder / "sweep.wav")[0]
    played = np.pad(card, (9600, len(heard)))[: len(heard)]
    files = {"two.wav": [heard, played], "faint.wav": [heard, 1e-4 * played], "four": [heard] * 4}
    for (name, channels), words in zip(
        files.items(),
        ("its two channels are not one signal", "channel 2 holds next to nothing", "4 channels"),
        strict=True,
    ):
        capture = tmp_path / name
        sf.write(capture, np.stack(channels, axis=1), RATE_HZ, "PCM_24", format="WAV")
        line = refusal(capsys, "measure", folder / "sweep.wav", capture, "--rig", rig)
        assert words in line
        assert "--channel" in line
    assert_untouched(rig)


@pytest.mark.parametrize(("lowest", "highest"), [(100, 10_000), (20, 4000), (300, 3000)])
def test_a_sweep_that_leaves_out_where_speech_is(
    lowest: int, highest: int, tmp_path: Path, capsys: Capsys
) -> None:
    """From 300 Hz to 3 kHz tells nothing of what the path does to a voice beyond."""
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    sweep, capture = tmp_path / "narrow.wav", tmp_path / "capture.wav"
    band = ["--lowest", lowest, "--highest", highest, "--seconds", 2]
    assert run("tone", "sweep", "--rig", rig, "--level", 50, "--out", sweep, *band) == 0
    sf.write(capture, HEARD.record(TRANSMITTER, sf.read(sweep)[0]), RATE_HZ, "PCM_16")
    line = refusal(capsys, "measure", sweep, capture, "--rig", rig)
    assert f"narrow.wav: the sweep runs from {lowest} to {highest} Hz; it must begin at 80" in line
    assert_untouched(rig)


def test_the_screen_says_at_once_that_it_works(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capsys
) -> None:
    """On a terminal (FORCE_COLOR has rich take this for one) before the first file was read."""
    monkeypatch.setenv("FORCE_COLOR", "1")
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    assert run("measure", folder / "sweep.wav", tmp_path / "gone.wav", "--rig", rig) == 2
    shown = capsys.readouterr().err
    assert 0 <= shown.find("Reading the recordings") < shown.find("gone.wav: No such file")


def test_of_another_sweep(folder: Path, tmp_path: Path, capsys: Capsys) -> None:
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    line = refusal(capsys, "measure", folder / "other.wav", folder / "capture.wav", "--rig", rig)
    assert "sweep" in line
    assert_untouched(rig)


def test_of_the_wrong_rate(folder: Path, tmp_path: Path, capsys: Capsys) -> None:
    """Samples of 48 kHz in a file that says 44.1 kHz."""
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    capture = tmp_path / "capture.wav"
    sf.write(capture, sf.read(folder / "capture.wav")[0], 44_100)
    line = refusal(capsys, "measure", folder / "sweep.wav", capture, "--rig", rig)
    assert "rate" in line
    assert_untouched(rig)


def test_one_bad_capture_of_several_changes_nothing(
    folder: Path, tmp_path: Path, capsys: Capsys
) -> None:
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    bad = tmp_path / "bad.wav"
    sf.write(bad, np.zeros(RATE_HZ), RATE_HZ)
    files = [folder / "sweep.wav", folder / "capture.wav", bad]
    line = refusal(capsys, "measure", *files, "--rig", rig, "--pictures", tmp_path / "pictures")
    assert line.startswith(f"carrierfloor measure: {bad}: ")
    assert_untouched(rig)
    assert not (tmp_path / "pictures").exists()


def assert_untouched(rig: Path) -> None:
    assert rig.read_text() == PATH_RIG
    assert left_over(rig.parent) == []
    assert list(rig.parent.glob("*backup*")) == []


ONE_LINE = 'name = "inline"\npaths = [{name = "transformer"}]\n'
TWO = PATH_RIG + '[[paths]]\nname = "other"\n'
OPTIONS: list[tuple[list[object], str]] = [
    ([], "give SWEEP and CAPTURE"),
    (["sweep.wav"], "give SWEEP and CAPTURE"),
    (["gone.wav", "capture.wav"], "gone.wav: No such file"),
    (["sweep.wav", "gone.wav"], "gone.wav: No such file"),
    (["rig.toml", "capture.wav"], "rig.toml: not a sound file"),
    (["capture.wav", "capture.wav"], "this holds no exponential sweep"),
    (["sweep.wav", "capture.wav", "capture.wav"], "two captures are named 'capture'"),
    (["sweep.wav", "capture.wav", "--path", "a", "--path", "b"], "2 --path for 1 capture;"),
    (["sweep.wav", "capture.wav", "--channel", "right", "--channel", "7"], "channel is '7'"),
    (["sweep.wav", "capture.wav", "--depth", "0"], "--depth is 0 %; it must be 1 to 100 %"),
    (["sweep.wav", "capture.wav", "--report", "x.txt"], "must be .json or .csv"),
    (["sweep.wav", "capture.wav", "--rig", "dc-coupled"], "rigs copy dc-coupled my-rig.toml"),
    (["sweep.wav", "capture.wav", "--rig", "gone.toml"], "gone.toml: No such file"),
    (["sweep.wav", "capture.wav", "--rig", "loop.toml"], "loop.toml: Too many levels of symbolic"),
    (["sweep.wav", "capture.wav", "--rig", "~my-rig.toml"], "there is no home folder ~my-rig.toml"),
    (["sweep.wav", "capture.wav", "--path", " "], "--path is empty; give the path a name"),
    (["sweep.wav", "capture.wav", "--rig", "two.toml"], "the rig has 2 paths (transformer, other)"),
    # Before the files are looked at, and in a live measurement before anything is played.
    (["gone.wav", "gone.wav", "--rig", "inline.toml"], "paths is written on one line"),
    (["--output", "x", "--input", "y", "--yes", "--rig", "inline.toml"], "inline.toml: paths is"),
    (["sweep.wav", "capture.wav", "--detector", "rig.toml"], "carrier is not a known key"),
    (["sweep.wav", "capture.wav", "--detector", "empty.toml"], "holds no [[sections]]"),
    (["sweep.wav", "capture.wav", "--detector", "bad.toml"], "corner_hz is 0 Hz; it must be"),
    (["sweep.wav", "capture.wav", "--detector-capture", "other.wav"], "other.wav: "),
    (["sweep.wav", "capture.wav", "--detector-polarity", "up"], "invalid choice: 'up'"),
    (["sweep.wav", "capture.wav", "--pictures", "rig.toml"], "rig.toml is a file"),
    (["sweep.wav", "capture.wav", "--level", "-9"], "--level and --keep go with --output"),
    (["sweep.wav", "capture.wav", "--output", "x", "--input", "y"], "not both"),
    (["--output", "x"], "needs both --output DEVICE and --input DEVICE"),
    (["--output", "x", "--input", "y"], "give --yes"),
    (["--output", "x", "--input", "y", "--yes", "--seconds", "1"], "--seconds is 1 s"),
    (["--output", "x", "--input", "y", "--yes", "--rate", "5"], "--rate is 5 Hz"),
    (["--output", "x", "--input", "y", "--yes", "--rate", "8000"], "must be 12000 to 192000 Hz"),
    (["--output", "x", "--input", "y", "--yes", "--depth", "99"], "--depth: level is 99 %"),
    (["--output", "x", "--input", "y", "--yes", "--level", "3"], "level is 3 dBFS"),
    (["--output", "x", "--input", "y", "--yes", "--keep", "rig.toml"], "is a file; give a folder"),
]


@pytest.mark.parametrize(("options", "words"), OPTIONS, ids=[words for _, words in OPTIONS])
def test_options(
    options: list[object],
    words: str,
    folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: Capsys,
) -> None:
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    write_text(tmp_path / "two.toml", TWO)
    write_text(tmp_path / "inline.toml", ONE_LINE)
    write_text(tmp_path / "empty.toml", 'name = "flat"\n')
    write_text(tmp_path / "bad.toml", '[[sections]]\nkind = "lowpass"\ncorner_hz = 0\n')
    (tmp_path / "loop.toml").symlink_to("loop.toml")
    for name in ("sweep.wav", "other.wav", "capture.wav"):
        (tmp_path / name).symlink_to(folder / name)
    monkeypatch.chdir(tmp_path)
    assert words in refusal(capsys, "measure", "--rig", "rig.toml", *options)
    assert_untouched(rig)
