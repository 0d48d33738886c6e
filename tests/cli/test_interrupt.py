"""Ctrl-C in the middle of the work: one line, exit status 130, nothing unfinished left."""

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.cli.files import command, documents, last_words, left_over, run, write_sound

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals are different there")

LONG_S = 900.0
PATIENCE_S = 120.0  # for a machine that is busy, and has to compile first


def long_sound(path: Path, seconds: float = LONG_S) -> Path:
    """Write a quarter of an hour, which takes seconds to process."""
    noise = np.random.default_rng(11).uniform(-0.3, 0.3, round(seconds * 8000))
    return write_sound(path, noise, rate_hz=8000, subtype="PCM_16")


def interrupted(
    arguments: list[object], working: Callable[[], bool], by: signal.Signals = signal.SIGINT
) -> tuple[int, str]:
    """Start a command, interrupt it as soon as it works; return exit status and remarks.

    Only the first process gets the signal.
    """
    with subprocess.Popen(
        command(*arguments),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        deadline = time.monotonic() + PATIENCE_S
        while not working() and time.monotonic() < deadline and process.poll() is None:
            time.sleep(0.02)
        assert process.poll() is None, "it ended before it could be interrupted"
        process.send_signal(by)
        err = last_words(process, PATIENCE_S)
        return process.returncode, err


def test_one_file(tmp_path: Path) -> None:
    source = long_sound(tmp_path / "in.wav")
    arguments = ["process", source, tmp_path / "out.wav", *documents(tmp_path)]
    status, err = interrupted(arguments, lambda: bool(left_over(tmp_path)))
    assert status == 130
    assert err.splitlines()[-1] == ("carrierfloor process: interrupted; no unfinished file is left")
    assert "Traceback" not in err
    assert left_over(tmp_path) == []
    assert not (tmp_path / "out.wav").exists()


def test_one_file_terminated(tmp_path: Path) -> None:
    source = long_sound(tmp_path / "in.wav")
    arguments = ["process", source, tmp_path / "out.wav", *documents(tmp_path)]
    status, err = interrupted(arguments, lambda: bool(left_over(tmp_path)), signal.SIGTERM)
    assert status == 143
    assert err.splitlines()[-1] == "carrierfloor process: terminated; no unfinished file is left"
    assert left_over(tmp_path) == []


def test_many_files(tmp_path: Path) -> None:
    sources = [long_sound(tmp_path / f"{number}.wav") for number in range(3)]
    into = tmp_path / "out"
    arguments = ["process", *sources, "--into", into, *documents(tmp_path), "--jobs", 2]
    status, err = interrupted(arguments, lambda: into.is_dir() and bool(left_over(into)))
    assert status == 130
    assert err.splitlines()[-1] == ("carrierfloor process: interrupted; no unfinished file is left")
    assert "Traceback" not in err
    assert list(into.iterdir()) == []


def test_many_files_go_on_where_interrupts_are_ignored(tmp_path: Path) -> None:
    """As after ``nohup``, which commands inherit."""
    sources = [long_sound(tmp_path / f"{number}.wav", 90.0) for number in range(2)]
    into = tmp_path / "out"
    arguments = ["process", *sources, "--into", into, *documents(tmp_path), "--jobs", 2]
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        status, err = interrupted(arguments, lambda: into.is_dir() and bool(left_over(into)))
    finally:
        signal.signal(signal.SIGINT, before)
    assert (status, err) == (0, "")
    assert sorted(file.name for file in into.iterdir()) == ["0.wav", "1.wav"]


def test_an_earlier_output_survives(tmp_path: Path) -> None:
    short, target = write_sound(tmp_path / "short.wav"), tmp_path / "out.wav"
    options = documents(tmp_path)
    assert run("process", short, target, *options) == 0
    before = target.read_bytes()
    arguments = ["process", long_sound(tmp_path / "long.wav"), target, *options]
    status, _ = interrupted(arguments, lambda: bool(left_over(tmp_path)))
    assert status == 130
    assert target.read_bytes() == before
