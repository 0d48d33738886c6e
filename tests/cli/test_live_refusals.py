"""What ``live`` refuses: on one line behind the caution, and nothing is made or overwritten."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.audio_server import PulseServer
from tests.cli.files import NOTHING, write_text
from tests.live_command import FIRST_START_S, command

pytestmark = pytest.mark.device

CAUTION_LINES = 2
SOURCE, SINK = "cable_a_mon", "cable_b_out"


@pytest.fixture(scope="module")
def pulse() -> Iterator[PulseServer]:
    with PulseServer() as server:
        yield server


def refused(pulse: PulseServer, *options: object, source: str = SOURCE, sink: str = SINK) -> str:
    """Run a command that must be refused; return its last line."""
    got = subprocess.run(
        command(source, sink, "--plain", *options),
        env=pulse.environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=FIRST_START_S,
    )
    assert got.returncode == 2, got.stderr
    lines = got.stderr.splitlines()
    assert [line.split(":")[0] for line in lines if ":" in line] == ["Caution", "carrierfloor live"]
    assert len(lines) == CAUTION_LINES + 1
    assert lines[-1].startswith("carrierfloor live: ")
    return lines[-1]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--heard", "B"], "--heard B needs a second voice: give --voice-b NAME_OR_FILE"),
        (["--block", 5], "--block is 5 frames; it must be 16 to 2048"),
        (["--block", 4096], "--block is 4096 frames; it must be 16 to 2048"),
        (["--rate", 1000], "--rate is 1000 Hz; it must be 16000 to 192000 Hz"),
        (["--input-rate", 1000], "--input-rate is 1000 Hz; it must be 16000 to 192000 Hz"),
        (["--latency", 0], "--latency is 0 ms; it must be 1 to 500 ms"),
        (["--for", -1], "--for is -1 s; it must be more than 0 s"),
        (["--voice", "no-such-voice"], "no-such-voice"),
        (["--voice-b", "nowhere/voice.toml"], "nowhere/voice.toml"),
        (["--rig", "no-such-rig"], "no-such-rig"),
        (["--drive", 99], "99"),
        (["--negative-limit", 120], "120"),
    ],
)
def test_options(options: list[object], words: str, pulse: PulseServer, tmp_path: Path) -> None:
    files = ["--record", tmp_path / "x.wav", "--log", tmp_path / "x.jsonl"]
    assert words in refused(pulse, *options, *files)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("devices", "words"),
    [
        ({"source": "usb"}, "--input usb: no such input device; choose from 0 cable_a_out (ALSA)"),
        ({"sink": "usb"}, "--output usb: no such output device; choose from 0 cable_a_out (ALSA)"),
        ({"sink": "cable_b"}, "2 devices match"),
    ],
)
def test_devices(devices: dict[str, str], words: str, pulse: PulseServer, tmp_path: Path) -> None:
    files = ["--record", tmp_path / "x.wav", "--log", tmp_path / "x.jsonl"]
    assert words in refused(pulse, *files, **devices)
    assert list(tmp_path.iterdir()) == []


def test_a_monitor_that_is_not_there(pulse: PulseServer) -> None:
    assert "--monitor usb: no such output device; choose from" in refused(pulse, "--monitor", "usb")


def test_channels_that_are_not_there(pulse: PulseServer) -> None:
    assert "--channel 99" in refused(pulse, "--channel", 99)
    line = refused(pulse, "--input-channel", "middle")
    assert "--input-channel middle: cable_a_mon (ALSA) has" in line
    assert "give mix, left, right or a number" in line


@pytest.mark.parametrize(
    ("option", "name", "words"),
    [
        ("--record", "there.wav", "exists already; give another name"),
        ("--log", "there.csv", "there is such a file already, and it is not overwritten"),
        ("--log", "new.txt", "the ending must be .jsonl or .csv"),
        ("--record", "new.flac", "a recording must end in .wav"),
        ("--record", "nowhere/new.wav", "there is no folder"),
        ("--log", "nowhere/new.csv", "cannot write there: No such file or directory"),
    ],
)
def test_files(option: str, name: str, words: str, pulse: PulseServer, tmp_path: Path) -> None:
    there = [write_text(tmp_path / name, "mine") for name in ("there.wav", "there.csv")]
    assert words in refused(pulse, option, tmp_path / name)
    assert sorted(tmp_path.iterdir()) == sorted(there)
    assert all(file.read_text("utf-8") == "mine" for file in there)


def test_a_log_that_exists_leaves_no_recording(pulse: PulseServer, tmp_path: Path) -> None:
    log = write_text(tmp_path / "there.csv", "mine")
    refused(pulse, "--record", tmp_path / "new.wav", "--log", log)
    assert list(tmp_path.iterdir()) == [log]


def test_a_voice_that_is_no_voice(pulse: PulseServer, tmp_path: Path) -> None:
    voice = write_text(tmp_path / "voice.toml", NOTHING + "\nwrong = 1\n")
    line = refused(pulse, "--voice", voice)
    assert "voice.toml" in line
    assert "wrong" in line


def test_no_output(pulse: PulseServer) -> None:
    """The parser says so, with the usage ahead of it."""
    arguments = command(SOURCE, SINK, "--plain")
    del arguments[arguments.index("--output") :]
    got = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert got.returncode == 2
    assert "--output" in got.stderr.splitlines()[-1]
    assert "Traceback" not in got.stderr


def test_no_terminal_for_the_console(pulse: PulseServer, tmp_path: Path) -> None:
    got = subprocess.run(
        command(SOURCE, SINK, "--record", tmp_path / "x.wav"),
        env=pulse.environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert got.returncode == 2
    assert got.stderr == (
        "carrierfloor live: the console needs a terminal; give --plain for one line a second\n"
    )
    assert list(tmp_path.iterdir()) == []
