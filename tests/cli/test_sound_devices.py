"""Playing and listing on real sound servers with virtual cables; nothing stands in for a device.

What is played into a cable is recorded at its far end, by another program, and must be the
signal's closed form to the last bit of a 32-bit float.
"""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from carrierfloor import presets
from carrierfloor.dsp.signals import Ramped, Tones
from tests.audio_server import (
    JackServer,
    PulseServer,
    Recording,
    Server,
    need,
    wait_for,
)
from tests.cli.files import command
from tests.clips import Array

pytestmark = pytest.mark.device

RATE_HZ = 48_000
RAMP = 2400
PATIENCE_S = 60.0
BIT = 2.0**-24  # of samples below 1.0: half a step of 24 bits, and of a 32-bit float


@pytest.fixture(scope="module")
def pulse() -> Iterator[PulseServer]:
    with PulseServer() as server:
        yield server


@pytest.fixture(scope="module")
def jack() -> Iterator[JackServer]:
    with JackServer() as server:
        yield server


def done(server: Server, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run a command on a server as a person would."""
    return subprocess.run(
        command(*arguments),
        env=server.environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )


def refused(server: Server, *arguments: object) -> str:
    """Run a command that must be refused on one line; return it."""
    got = done(server, *arguments)
    assert (got.returncode, got.stdout) == (2, "")
    assert got.stderr.count("\n") == 1, got.stderr
    return got.stderr


def wait_for_sound(recording: Recording, process: subprocess.Popen[str]) -> None:
    """Wait until half a second of a command's sound has come through on both channels."""

    def heard() -> bool:
        assert process.poll() is None, process.communicate()
        return bool(np.count_nonzero(recording.samples) > RATE_HZ)

    wait_for(heard, "the sound", PATIENCE_S)


def sine(
    samples: int = RATE_HZ, peak: float = 10 ** (-6 / 20), frequency_hz: float = 997.3
) -> Array:
    """Return what ``tone sine --frequency 997.3 --level -6 --seconds 1`` makes, closed form."""
    n = np.arange(samples)
    near = np.minimum(np.minimum(n + 0.5, samples - n - 0.5) / RAMP, 1.0)
    wave = np.sin(2 * np.pi * frequency_hz * n / RATE_HZ)
    return np.asarray(peak * wave * np.sin(0.5 * np.pi * near) ** 2)


def aligned(recorded: Array, expected: Array) -> Array:
    """Cut the recording where the expected signal begins, by the peak of the correlation."""
    size = 1 << (len(recorded) + len(expected)).bit_length()
    spectrum = np.fft.rfft(recorded, size) * np.conj(np.fft.rfft(expected, size))
    start = int(np.argmax(np.fft.irfft(spectrum, size)[: len(recorded)]))
    return recorded[start : start + len(expected)]


def assert_exact(recording: Recording, expected: Array, columns: tuple[int, ...] = (0, 1)) -> None:
    """The recording holds the signal once, silence around it, and silence elsewhere."""
    samples = recording.samples.astype(np.float64)
    for column in range(recording.channels):
        if column not in columns:
            assert not samples[:, column].any()
            continue
        got = aligned(samples[:, column], expected)
        np.testing.assert_allclose(got, expected, atol=BIT, rtol=0)
        assert np.count_nonzero(samples[:, column]) == np.count_nonzero(got)


SINE = ("tone", "sine", "--frequency", 997.3, "--level", -6, "--seconds", 1)


def test_a_tone_arrives_exact_in_real_time(pulse: PulseServer) -> None:
    with pulse.recording("cable_a") as recording:
        got = done(pulse, *SINE, "--output", "cable_a_out")
    assert got.returncode == 0, got.stderr
    assert "gaps" not in got.stderr
    assert_exact(recording, sine())


def test_a_tone_arrives_exact_through_jack(jack: JackServer) -> None:
    with jack.recording("cable_a") as recording:
        got = done(jack, *SINE, "--output", "cable_a")
    assert got.returncode == 0, got.stderr
    assert_exact(recording, sine())


@pytest.mark.parametrize(("channel", "column"), [("left", 0), ("right", 1), ("2", 1)])
def test_one_channel_only(channel: str, column: int, jack: JackServer) -> None:
    with jack.recording("cable_b") as recording:
        got = done(jack, *SINE, "--output", "cable_b", "--channel", channel)
    assert got.returncode == 0, got.stderr
    assert_exact(recording, sine(), (column,))


def test_levels_of_a_rig_reach_the_device(jack: JackServer) -> None:
    """no-headroom is inverted: 60 % is 0.6 of -6 dBFS, the first half wave negative."""
    arguments = ["--rig", "no-headroom", "--level", 60, "--frequency", 997.3, "--seconds", 1]
    with jack.recording("cable_a") as recording:
        got = done(jack, "tone", "sine", *arguments, "--output", "cable_a")
    assert got.returncode == 0, got.stderr
    full = presets.rig("no-headroom").level.sample_at_full_modulation
    assert full < 0.0
    assert_exact(recording, sine(peak=0.6 * full))


def test_file_and_device_get_the_same(jack: JackServer, tmp_path: Path) -> None:
    import soundfile as sf

    target = tmp_path / "noise.wav"
    with jack.recording("cable_a") as recording:
        got = done(
            jack, "tone", "noise", "--seconds", 1, "--output", "cable_a", "--out", target,
            "--subtype", "FLOAT",
        )  # fmt: skip
    assert got.returncode == 0, got.stderr
    assert_exact(recording, sf.read(target)[0])


@pytest.mark.parametrize(("by", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_an_interrupt_ramps_down(by: signal.Signals, status: int, jack: JackServer) -> None:
    """What was recorded is the tone with an end to it: exact, whenever the signal came."""
    endless = ("tone", "sine", "--frequency", 997.3, "--level", -6, "--endless")
    with jack.recording("cable_a") as recording:
        with subprocess.Popen(
            command(*endless, "--output", "cable_a"),
            env=jack.environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        ) as process:  # fmt: skip
            wait_for_sound(recording, process)
            process.send_signal(by)
            _, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == status, err
    assert "Ramped down after" in err
    assert "Traceback" not in err
    heard = np.flatnonzero(recording.samples[:, 0])
    # The first and the last sample that are not zero stand next to zeros of the signal itself.
    candidates = [heard[-1] - heard[0] + more for more in (1, 2, 3)]
    tone = Tones(frequencies_hz=(997.3,), sample_rate_hz=RATE_HZ)
    for samples in candidates:
        ended = Ramped(signal=tone, peak=10 ** (-6 / 20), ramp_samples=RAMP, samples=samples)
        expected = ended.at(0, samples)
        got = aligned(recording.samples[:, 0].astype(np.float64), expected)
        if np.abs(got - expected).max() <= BIT:
            return
    pytest.fail("the end is no ramp")


@pytest.mark.parametrize("server_class", [PulseServer, JackServer])
def test_a_server_that_dies_is_reported_and_left(server_class: type[Server]) -> None:
    """PortAudio may hang or abort in closing such a device; the command must end all the same."""
    device = "cable_a_out" if server_class is PulseServer else "cable_a"
    with (
        server_class() as server,
        server.recording("cable_a") as recording,
        subprocess.Popen(
            command("tone", "sine", "--endless", "--output", device),
            env=server.environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        ) as process,
    ):  # fmt: skip
        wait_for_sound(recording, process)
        server.process.kill()
        begun = time.monotonic()
        _, err = process.communicate(timeout=PATIENCE_S)
        assert time.monotonic() - begun < 10.0
        assert process.returncode == 2, err
        assert f"carrierfloor tone: {device} (" in err
        assert "is it gone?" in err
        assert "Traceback" not in err


def test_devices_lists_the_cables_of_pulse(pulse: PulseServer) -> None:
    got = done(pulse, "devices")
    assert (got.returncode, got.stderr) == (0, "")
    rows = {line.split()[1]: line.split() for line in got.stdout.splitlines()[2:]}
    assert set(rows) == {
        *("cable_a_out", "cable_a_mon", "cable_b_out", "cable_b_mon", "pulse", "default")
    }
    assert rows["cable_b_out"][2:] == ["ALSA", "32", "32", "44100", "Hz"]
    assert rows["default"][-2:] == ["in,", "out"]


def test_devices_lists_the_cables_of_jack(jack: JackServer) -> None:
    got = done(jack, "devices")
    assert (got.returncode, got.stderr) == (0, "")
    for cable in ("cable_a", "cable_b"):
        (line,) = (line for line in got.stdout.splitlines() if cable in line)
        assert " ".join(line.split()[2:]) == "JACK Audio Connection Kit 2 2 48000 Hz"


def test_names_are_whole_on_a_narrow_terminal(jack: JackServer) -> None:
    narrow = {**jack.environment, "COLUMNS": "80", "TERM": "xterm", "NO_COLOR": "1"}
    line = ["script", "-qec", " ".join(command("devices")), "/dev/null"]
    got = subprocess.run(line, env=narrow, capture_output=True, text=True, check=False)
    assert got.returncode == 0
    shown = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", got.stdout)  # no colours
    assert "cable_a" in shown
    assert "\N{HORIZONTAL ELLIPSIS}" not in shown
    assert max(map(len, shown.splitlines())) <= 80


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("cable_a", "2 devices match, 0 cable_a_out (ALSA), 1 cable_a_mon (ALSA); give the number"),
        ("usb", "no such output device; choose from 0 cable_a_out (ALSA), 1 cable_a_mon (ALSA), "),
        ("99", "no such output device; choose from 0 cable_a_out (ALSA)"),
        ("", "no such output device"),
    ],
)
def test_a_wrong_name_is_refused_with_the_choices(
    name: str, words: str, pulse: PulseServer
) -> None:
    assert f"--output {name}: {words}" in refused(pulse, *SINE, "--output", name)


@pytest.mark.parametrize("name", ["0", "CABLE_A_OUT", "alsa a_out", "out cable_a alsa"])
def test_many_ways_to_name_one(name: str, pulse: PulseServer) -> None:
    got = done(pulse, "tone", "sine", "--seconds", 0.2, "--output", name)
    assert got.returncode == 0, got.stderr
    assert "Playing on cable_a_out (ALSA)" in got.stderr


def test_the_systems_own_default(jack: JackServer) -> None:
    got = done(jack, "tone", "sine", "--seconds", 0.2, "--output", "default")
    assert got.returncode == 0, got.stderr
    assert "Playing on" in got.stderr


def test_a_rate_that_the_device_does_not_do(jack: JackServer, pulse: PulseServer) -> None:
    err = refused(jack, *SINE, "--output", "cable_a", "--rate", 44_100)
    assert "cable_a (JACK Audio Connection Kit) does not do 44100 Hz; try --rate 48000" in err
    assert done(pulse, *SINE, "--output", "cable_b_out", "--rate", 44_100).returncode == 0


def test_a_channel_that_is_not_there(jack: JackServer) -> None:
    for channel in ("3", "0", "middle"):
        err = refused(jack, *SINE, "--output", "cable_a", "--channel", channel)
        assert f"--channel {channel}: cable_a (JACK Audio Connection Kit) has 2 output" in err


def test_a_refused_device_leaves_no_file(pulse: PulseServer, tmp_path: Path) -> None:
    refused(pulse, *SINE, "--output", "usb", "--out", tmp_path / "x.wav")
    assert list(tmp_path.iterdir()) == []


def test_no_device_at_all(tmp_path: Path) -> None:
    """No server is reached from an empty home."""
    need()
    if Path("/proc/asound/pcm").exists():
        pytest.skip("there is a real sound card in this machine")
    lonely = {"HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path), "JACK_NO_START_SERVER": "1"}
    for arguments in (["devices"], [*SINE, "--output", "default"]):
        got = subprocess.run(
            command(*arguments),
            env={**os.environ, **lonely},
            capture_output=True,
            text=True,
            check=False,
        )
        assert got.returncode == 2
        assert got.stderr.startswith(f"carrierfloor {arguments[0]}: there is no sound device; ")
        assert got.stderr.count("\n") == 1


def test_a_missing_library_is_named_with_its_packages(tmp_path: Path) -> None:
    """The loader finds an empty file where PortAudio should be: an OSError, as if it were gone."""
    need()
    (tmp_path / "libportaudio.so.2").touch()
    environment = {**os.environ, "LD_LIBRARY_PATH": str(tmp_path)}
    got = subprocess.run(
        command("devices"), env=environment, capture_output=True, text=True, check=False
    )
    assert got.returncode == 2
    assert got.stderr.count("\n") == 1
    for words in ("libportaudio2", "dnf install portaudio", "pacman -S portaudio"):
        assert words in got.stderr


def test_no_other_command_imports_sounddevice(tmp_path: Path) -> None:
    """Process a file, predict it, write a tone: all without PortAudio, in one fresh process."""
    script = f"""
import sys
from carrierfloor.cli.main import main
tone, out = {str(tmp_path / "tone.wav")!r}, {str(tmp_path / "out.wav")!r}
assert main(["tone", "sine", "--seconds", "1", "--out", tone]) == 0
assert main(["process", tone, out, "--no-compare"]) == 0
assert main(["predict", out]) == 0
sys.exit("sounddevice" in sys.modules)
"""
    got = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert got.returncode == 0, got.stderr
