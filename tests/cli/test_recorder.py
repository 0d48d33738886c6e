"""The recording of a live session: exact samples, whole files, whatever ends it.

Every sample tells its own place: a number of 24 bits that no other of the first 2**24 has.
"""

import os
import signal
import subprocess
import sys
import time
import wave
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.cli.recorder import PATIENCE_S, Recorder
from carrierfloor.dsp import desk_layout
from carrierfloor.dsp.desk_reader import Stretch
from carrierfloor.dsp.errors import AudioError, CarrierfloorError, SettingError
from carrierfloor.dsp.stage import HOP
from tests.audio_server import wait_for
from tests.clips import Array

RATE_HZ = 48_000
PIECE = 19 * HOP  # about a twentieth of a second
FULL = 2**23
HEADER = 44
LATER = 12_345  # what the card is later than the microphone, for telling them apart


def coded(first: int, samples: int) -> Array:
    """Return samples that tell their place; 5003 is odd, so all are different."""
    n = np.arange(first, first + samples, dtype=np.int64)
    return np.asarray((n * 5003 % (2 * FULL) - FULL) / FULL)


def stretch(first: int, samples: int = PIECE, lost: int = 0) -> Stretch:
    return Stretch(
        lost_samples=lost,
        readings=np.zeros((samples // HOP, desk_layout.READING)),
        raw=coded(first, samples),
        card=coded(first - LATER, samples),
        antenna=np.zeros(samples),
    )


def assert_coded(stored: Array, first: int = 0) -> None:
    """Both channels are as they were handed over."""
    np.testing.assert_array_equal(stored[:, 0], coded(first, len(stored)))
    np.testing.assert_array_equal(stored[:, 1], coded(first - LATER, len(stored)))


def read(path: Path) -> Array:
    """Read a file whose header must count what is there, for two readers that differ in origin."""
    stored, rate_hz = sf.read(path)
    with wave.open(str(path)) as second:
        assert (second.getnchannels(), second.getsampwidth()) == (2, 3)
        assert second.getframerate() == rate_hz == RATE_HZ
        assert second.getnframes() == len(stored)
        assert len(second.readframes(len(stored) + 1)) == 6 * len(stored)
    return np.asarray(stored)


def wait_until_written(recorder: Recorder, samples: int) -> None:
    wait_for(lambda: recorder.seconds * RATE_HZ >= samples - 0.5, "the recorder")


def test_every_sample_is_there(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a.wav")
    for number in range(100):
        recorder.write(stretch(number * PIECE))
    recorder.close()
    stored = read(tmp_path / "a.wav")
    assert len(stored) == 100 * PIECE
    assert_coded(stored)
    assert recorder.seconds == 100 * PIECE / RATE_HZ
    assert (recorder.lost_s, recorder.clipped_samples, recorder.failed) == (0.0, 0, None)
    assert (tmp_path / "a.wav").stat().st_size == HEADER + 6 * len(stored)


def test_the_file_is_whole_while_it_grows(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a.wav")
    for number in range(20):
        recorder.write(stretch(number * PIECE))
        wait_until_written(recorder, (number + 1) * PIECE)
        assert len(read(tmp_path / "a.wav")) == (number + 1) * PIECE
    recorder.close()


def test_beyond_full_scale_is_clipped_and_counted(tmp_path: Path) -> None:
    """An input that is 40 dB over."""
    loud = 100.0 * np.sin(2 * np.pi * 0.01 * np.arange(HOP))
    recorder = Recorder(tmp_path / "a.wav")
    one = stretch(0, HOP)
    recorder.write(
        Stretch(lost_samples=0, readings=one.readings, raw=loud, card=one.card, antenna=one.antenna)
    )
    recorder.close()
    stored = read(tmp_path / "a.wav")
    over = np.abs(loud) >= 1.0
    assert recorder.clipped_samples == np.count_nonzero(over) > HOP // 2
    np.testing.assert_array_equal(stored[loud >= 1.0, 0], 1.0 - 1.0 / FULL)
    np.testing.assert_array_equal(stored[loud <= -1.0, 0], -1.0)
    np.testing.assert_allclose(stored[~over, 0], loud[~over], atol=0.5 / FULL, rtol=0)


def test_what_is_lost_becomes_silence_of_the_same_length(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a.wav")
    gap = 2 * RATE_HZ + HOP  # more than a piece of silence
    recorder.write(stretch(0))
    recorder.write(stretch(PIECE + gap, lost=gap))
    recorder.close()
    stored = read(tmp_path / "a.wav")
    assert_coded(stored[:PIECE])
    assert not stored[PIECE : PIECE + gap].any()
    assert_coded(stored[PIECE + gap :], PIECE + gap)
    assert len(stored) == 2 * PIECE + gap
    assert recorder.lost_s == gap / RATE_HZ


def test_more_than_the_disk_takes_is_lost_and_the_time_stays_right(tmp_path: Path) -> None:
    """Ten minutes are handed over much faster than they can be stored; memory has an end."""
    recorder = Recorder(tmp_path / "a.wav")
    length = RATE_HZ // HOP * HOP
    pieces = [stretch(number * length, length) for number in range(5)]
    for number in range(600):
        recorder.write(pieces[number % 5])
    recorder.close()
    assert recorder.failed is None
    stored = read(tmp_path / "a.wav").reshape(600, length, 2)
    silent = [not piece.any() for piece in stored]
    assert 0 < sum(silent) * length == round(recorder.lost_s * RATE_HZ)
    assert silent.index(True) >= PATIENCE_S  # nothing is lost before that much waits
    for number, piece in enumerate(stored):
        if not silent[number]:
            assert_coded(piece, number % 5 * length)


def test_a_full_size_file_is_followed_by_another_without_a_gap(tmp_path: Path) -> None:
    """The limit falls into the middle of a piece; a file that stands in the way is left alone."""
    (tmp_path / "a-3.wav").write_text("another's")
    most = 3 * PIECE + 77
    recorder = Recorder(tmp_path / "a.wav", largest_bytes=HEADER + 6 * most + 5)
    for number in range(10):
        recorder.write(stretch(number * PIECE))
    recorder.close()
    names = ["a.wav", "a-2.wav", "a-4.wav", "a-5.wav"]
    assert [file.name for file in recorder.files] == names
    parts = [read(tmp_path / name) for name in names]
    assert [len(part) for part in parts] == [most, most, most, 10 * PIECE - 3 * most]
    assert_coded(np.concatenate(parts))
    assert (tmp_path / "a-3.wav").read_text() == "another's"


def test_one_piece_may_need_several_files(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a.wav", largest_bytes=HEADER + 6 * 100)
    recorder.write(stretch(0, 2 * HOP))
    recorder.close()
    parts = [read(file) for file in recorder.files]
    assert [len(part) for part in parts] == [100, 100, 56]
    assert_coded(np.concatenate(parts))


@pytest.mark.parametrize("name", ["a.flac", "a", "a.wave", "wav"])
def test_another_ending_is_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(SettingError, match=r"a recording must end in \.wav$"):
        Recorder(tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_exists_is_not_touched(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_text("precious")
    with pytest.raises(AudioError, match=r"a\.wav exists already; give another name"):
        Recorder(tmp_path / "a.wav")
    assert (tmp_path / "a.wav").read_text() == "precious"


def test_a_place_that_is_none_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for path, words in (
        (tmp_path / "gone" / "a.wav", "there is no folder"),
        (tmp_path / "file" / "a.wav", "there is no folder"),
        (tmp_path / f"{'x' * 300}.wav", "cannot be made: File name too long"),
    ):
        with pytest.raises(CarrierfloorError, match=words) as refused:
            Recorder(path)
        assert "\n" not in str(refused.value)


def test_nothing_recorded_leaves_no_file(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a.wav")
    assert (tmp_path / "a.wav").exists()
    recorder.close()
    assert list(tmp_path.iterdir()) == []


# ---- Ends without warning.


def record_on(path: str, pause_s: str) -> None:
    """Record for ever, and say how much is handed over; runs in a process of its own."""
    recorder = Recorder(Path(path))
    for number in count():
        recorder.write(stretch(number * PIECE))
        print((number + 1) * PIECE, flush=True)
        time.sleep(float(pause_s))


def in_other_process(function: str, *arguments: object) -> "subprocess.Popen[str]":
    line = f"import sys; from tests.cli.test_recorder import {function} as f; f(*sys.argv[1:])"
    return subprocess.Popen(
        [sys.executable, "-c", line, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
@pytest.mark.parametrize(("pause_s", "after_s"), [(0.05, 2.513), (0.002, 0.5), (0.002, 0.713)])
def test_a_killed_process_leaves_all_but_the_last_moment(
    pause_s: float, after_s: float, tmp_path: Path
) -> None:
    """At the pace of a session, then 25 times as fast, so that the kill falls into a write."""
    with in_other_process("record_on", tmp_path / "a.wav", pause_s) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        handed, _ = process.communicate()
    assert process.returncode == -signal.SIGKILL
    stored = read(tmp_path / "a.wav")
    assert_coded(stored)
    wanted = int(handed.rstrip("\n").rsplit("\n", 1)[-1])
    kept_back = PIECE / pause_s  # a second of the clock
    assert wanted - kept_back <= len(stored) <= wanted + PIECE
    assert (tmp_path / "a.wav").stat().st_size >= HEADER + 6 * len(stored)


def record_until_full(path: str) -> None:
    """Record 60 pieces into a place that does not hold them; print what the session would say."""
    recorder = Recorder(Path(path))
    for number in range(60):
        recorder.write(stretch(number * PIECE))
    wait_for(lambda: recorder.failed is not None, "the end of the recording")
    recorder.write(stretch(60 * PIECE))  # a session goes on
    recorder.close()
    print(recorder.failed)


def record_limited(path: str, largest_bytes: str) -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_FSIZE, (int(largest_bytes), int(largest_bytes)))
    record_until_full(path)


def assert_ends_whole(process: "subprocess.Popen[str]", file: Path, room: int, why: str) -> None:
    said, errors = process.communicate(timeout=60)
    assert (process.returncode, errors) == (0, "")
    stored = read(file)
    assert_coded(stored)
    assert room - 6 * PIECE < file.stat().st_size == HEADER + 6 * len(stored) <= room
    seconds = len(stored) / RATE_HZ
    assert said == f"{file}: recording ended after {seconds:.0f} s: {why}\n"


@pytest.mark.skipif(sys.platform == "win32", reason="no limits there")
def test_the_system_takes_no_more(tmp_path: Path) -> None:
    """A limit on the size of files stops the writing as a full disk does, and needs no root."""
    room = 300_001
    with in_other_process("record_limited", tmp_path / "a.wav", room) as process:
        assert_ends_whole(process, tmp_path / "a.wav", room, "File too large")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 300 KiB."""
    if sys.platform != "linux" or os.geteuid():
        pytest.skip("only root can make a small disk")
    mount = ["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(tmp_path)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no disks can be made here")
    yield tmp_path
    subprocess.run(["umount", str(tmp_path)], check=True)


def test_the_disk_is_full(small_disk: Path) -> None:
    file = small_disk / "a.wav"
    with in_other_process("record_until_full", file) as process:
        assert_ends_whole(process, file, 300 * 1024, "No space left on device")


def test_the_next_file_cannot_be_made(tmp_path: Path) -> None:
    """The folder is gone when the first file is full; what was written is not harmed."""
    folder = tmp_path / "folder"
    folder.mkdir()
    recorder = Recorder(folder / "a.wav", largest_bytes=HEADER + 6 * PIECE)
    recorder.write(stretch(0))
    wait_until_written(recorder, PIECE)
    folder.rename(tmp_path / "elsewhere")
    recorder.write(stretch(PIECE))
    recorder.close()
    assert recorder.failed is not None
    assert recorder.failed.startswith(f"{folder / 'a.wav'}: recording ended after 0 s: ")
    assert recorder.failed.endswith(f"a-2.wav: there is no folder {folder}")
    assert_coded(read(tmp_path / "elsewhere" / "a.wav"))
