"""A study that is cut short and gone on with, on this machine and on a cluster."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from distributed import LocalCluster

from carrierfloor.cli import study_files
from tests import clips
from tests.cli.files import FLAT_RIG, command, last_words, left_over, run, write_sound, write_text

Capsys = pytest.CaptureFixture[str]
PATIENCE_S = 120.0


def begun(arguments: list[object], table: Path, rows: int) -> "subprocess.Popen[str]":
    """Start a study; return when its table holds more rows than the given number."""
    process = subprocess.Popen(
        command("study", *arguments), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline and process.poll() is None and count(table) <= rows:
        time.sleep(0.02)
    assert process.poll() is None, process.communicate()
    return process


def count(table: Path) -> int:
    return len(study_files.read(table)) if table.exists() else 0


def kill_when_begun(pid: int, table: Path) -> None:
    """Kill a process as soon as a table has rows."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline and not count(table):
        time.sleep(0.02)
    os.kill(pid, signal.SIGKILL)


@pytest.mark.skipif(sys.platform == "win32", reason="signals are different there")
def test_cut_short_twice_it_ends_as_on_a_cluster(tmp_path: Path, capsys: Capsys) -> None:
    """Killed, then interrupted, then finished on this machine: byte for byte the cluster's.

    The cluster's only worker is killed too, and started again by its nanny.
    """
    phrase = write_sound(tmp_path / "phrase.wav", clips.sound("F1_harvard_phrases")[24_000:72_000])
    rig = write_text(tmp_path / "rig.toml", FLAT_RIG)
    drives = ",".join(f"{drive_db}" for drive_db in range(4, 11))
    arguments: list[object] = [
        phrase, "--drives", drives, "--rigs", rig, "--carrier-to-noise=-3",
    ]  # fmt: skip
    local, remote = tmp_path / "local.csv", tmp_path / "remote.csv"
    here = [*arguments, "--out", local, "--jobs", 1]
    with begun(here, local, 0) as process:
        os.kill(process.pid, signal.SIGKILL)
    killed_with = count(local)
    with begun(here, local, killed_with) as process:
        process.send_signal(signal.SIGINT)
        err = last_words(process, PATIENCE_S)
    left_with = count(local)
    assert 0 < killed_with < left_with < 8
    assert process.returncode == 130
    assert f"{left_with} of 8 rows are in {local}; the same command goes on from there." in err
    assert "Traceback" not in err
    assert run("study", *here) == 0
    with LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=":0") as cluster:
        there = [*arguments, "--out", remote, "--cluster", cluster.scheduler_address]
        accident = threading.Thread(target=kill_when_begun, args=(cluster.workers[0].pid, remote))
        accident.start()
        assert run("study", *there) == 0
        accident.join()
    assert "8 of 8 rows" in capsys.readouterr().out
    assert count(remote) == 8
    assert remote.read_bytes() == local.read_bytes()
    assert [name for name in left_over(tmp_path) if str(process.pid) in name] == []
