"""Measuring live on real sound servers: the sweep goes out, a transmitter answers."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from carrierfloor.cli import documents
from carrierfloor.cli.measure_keys import KEYS
from tests import transmitter_box
from tests.audio_server import RATE_HZ, JackServer, PulseServer, Server, running, wait_for
from tests.cli.files import FLAT_RIG, PATH_RIG, command, left_over, run, write_text
from tests.clips import Array
from tests.tried_again import tried_again

pytestmark = pytest.mark.device

PATIENCE_S = 120.0
PERIOD = 2048  # of JACK: a box in Python that comes late counts as a lost cycle


@pytest.fixture(scope="module")
def jack() -> Iterator[JackServer]:
    with JackServer(PERIOD) as server:
        yield server


@contextmanager
def transmitter(server: JackServer, gain: float, floor: float = -1.0) -> Iterator[None]:
    """Put a transmitter between the two cables."""
    log = server.folder / "box.log"
    words = ["cable_a", "cable_b", str(gain), str(floor)]
    arguments = [sys.executable, "-m", "tests.transmitter_box", *words]
    with running(arguments, server.environment, log) as box:
        wait_for(lambda: "ready" in log.read_text(), "the transmitter")
        yield
        assert box.poll() is None, log.read_text()


def measured(
    server: Server, rig: Path, *options: object, output: str, source: str
) -> subprocess.CompletedProcess[str]:
    """Run a live measurement as a script would."""
    return subprocess.run(
        command(
            "measure", "--rig", rig, "--output", output, "--input", source, "--yes",
            "--report", rig.with_suffix(".json"), "--seconds", 3, *options,
        ),
        env=server.environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )  # fmt: skip


def box_gain(frequency_hz: Array) -> Array:
    """Return the magnitude of tests/transmitter_box.py by scipy, 1 at 1 kHz."""
    sections = np.vstack(
        [
            butter(2, transmitter_box.LOW_HZ, "highpass", fs=RATE_HZ, output="sos"),
            butter(2, transmitter_box.HIGH_HZ, "lowpass", fs=RATE_HZ, output="sos"),
        ]
    )
    _, response = sosfreqz(sections, np.append(frequency_hz, 1000.0), fs=RATE_HZ)
    return np.asarray(np.abs(response[:-1] / response[-1]))


def test_a_transmitter_is_found_as_it_is(jack: JackServer, tmp_path: Path) -> None:
    """Butterworth filters of scipy at 60 Hz and 5 kHz, inverting; and from the kept files again."""
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    keep = tmp_path / "kept"
    with transmitter(jack, -0.7):
        done = measured(
            jack, rig, "--keep", keep, "--detector-polarity", "normal",
            output="cable_a", source="cable_b",
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr.startswith("Caution: ")
    report = json.loads(rig.with_suffix(".json").read_text())
    (low,) = [one for one in report["paths"]["path_1"]["sections"] if one["kind"] == "highpass"]
    assert low["corner_hz"] == pytest.approx(transmitter_box.LOW_HZ, rel=0.005)
    assert low["q"] == pytest.approx(np.sqrt(0.5), rel=0.01)
    grid_hz = np.geomspace(30.0, 5000.0, 50)
    found = np.abs(documents.rig(str(rig)).paths[0].response(grid_hz))
    np.testing.assert_allclose(found, box_gain(grid_hz), rtol=0.003)
    steps = list(report["live"]["steps"].values())
    assert [step["depth_pct"] for step in steps] == pytest.approx([12.5, 25.0, 50.0])
    assert [step["gain_db"] for step in steps] == pytest.approx([20 * np.log10(0.7)] * 3, abs=0.05)
    assert "Note: the gain changes" not in done.stderr
    assert {f"live.{key}" for key in ("steps.step_1", "kept")} == {
        key for key in KEYS if key.startswith("live.")
    }
    assert report["live"]["kept"] == [str(file) for file in sorted(keep.iterdir(), reverse=True)]
    assert report["rig"]["polarity"] == "inverted"
    text = rig.read_text()
    assert 'polarity = "inverted"' in text
    assert 'name = "transformer"  # measured ' in text
    sweep, capture = sorted(keep.iterdir(), reverse=True)
    again = write_text(tmp_path / "again.toml", PATH_RIG)
    assert run("measure", sweep, capture, "--rig", again, "--detector-polarity", "normal") == 0
    assert again.read_text() == text


def refused(done: subprocess.CompletedProcess[str]) -> str:
    """Return the last line of a measurement that must have been refused."""
    assert (done.returncode, done.stdout) == (2, "")
    return done.stderr.splitlines()[-1]


@pytest.mark.parametrize(
    ("gain", "floor", "pct", "words"),
    [
        (20.0, -1.0, 12.5, "clipped at full scale"),
        (1.0, -0.18, 50, "troughs are cut flat"),
    ],
)
def test_what_comes_back_badly_ends_it_on_the_way_up(
    gain: float, floor: float, pct: float, words: str, jack: JackServer, tmp_path: Path
) -> None:
    """A sweep of 12.5, 25 and 50 % has peaks of 0.063, 0.125 and 0.25."""
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    with transmitter(jack, gain, floor):
        line = refused(measured(jack, rig, output="cable_a", source="cable_b"))
    device = "cable_b (JACK Audio Connection Kit)"
    assert line.startswith(f"carrierfloor measure: {device}, at {pct:g} %: the capture")
    assert words in line
    assert rig.read_text() == PATH_RIG
    assert left_over(tmp_path) == []


@tried_again
def test_two_clocks_of_pulseaudio(tmp_path: Path) -> None:
    """The cable alone is a transmitter without any path: what is fitted must be flat."""
    rig = write_text(tmp_path / "rig.toml", FLAT_RIG)
    with PulseServer() as server:
        done = measured(server, rig, "--level", -12, output="cable_a_out", source="cable_a_mon")
    assert done.returncode == 0, done.stderr
    report = json.loads(rig.with_suffix(".json").read_text())
    assert report["paths"]["path_1"]["worst_error_pct"] < 1.0
    assert report["paths"]["path_1"]["gain_db"] == pytest.approx(0.0, abs=0.05)
    assert report["sweep"]["peak_dbfs"] == pytest.approx(-12.0)


def test_ctrl_c_ramps_down_and_changes_nothing(jack: JackServer, tmp_path: Path) -> None:
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    with transmitter(jack, 1.0), jack.recording("cable_a") as recording:
        process = subprocess.Popen(
            command("measure", "--rig", rig, "--output", "cable_a", "--input", "cable_b", "--yes"),
            env=jack.environment,
            stderr=subprocess.PIPE,
            text=True,
        )
        wait_for(lambda: bool(np.count_nonzero(recording.samples) > 24_000), "the sweep")
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130
    assert said.splitlines()[-1].startswith("carrierfloor measure: interrupted")
    assert rig.read_text() == PATH_RIG
    sound = recording.samples[:, 0]
    end = int(np.flatnonzero(sound)[-1])
    assert np.abs(sound[end - 200 : end + 1]).max() < 0.02 * np.abs(sound).max()


def test_it_asks_first(jack: JackServer, tmp_path: Path) -> None:
    """The return key alone means no."""
    pty = pytest.importorskip("pty")
    rig = write_text(tmp_path / "rig.toml", PATH_RIG)
    user, program = pty.openpty()
    try:
        with jack.recording("cable_a") as recording:
            process = subprocess.Popen(
                command("measure", "--rig", rig, "--output", "cable_a", "--input", "cable_b"),
                env=jack.environment,
                stdin=program,
                stderr=subprocess.PIPE,
                text=True,
            )
            os.write(user, b"\n")
            _, said = process.communicate(timeout=PATIENCE_S)
    finally:
        os.close(user)
        os.close(program)
    assert process.returncode == 2
    assert "dummy load. Send them now? [y/N]" in said
    assert said.endswith("carrierfloor measure: nothing was sent\n")
    assert not recording.samples.any()
