"""Documents change in the many ways in which editors write them."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from carrierfloor.cli import documents
from carrierfloor.cli.watched_file import WatchedFile
from tests.cli.files import NOTHING, write_text

TICK_S = 0.02  # time stamps of files are as fine as the kernel's tick, 10 ms at most


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return write_text(tmp_path / "a.toml", NOTHING)


def write_into(file: Path) -> None:
    file.write_text(NOTHING.replace("nothing", "another"), "utf-8")


def write_as_long(file: Path) -> None:
    file.write_text(NOTHING.replace("n", "m"), "utf-8")


def write_by_rename(file: Path) -> None:
    beside = write_text(file.with_suffix(".tmp"), NOTHING)
    os.replace(beside, file)


def write_by_rename_with_the_old_time(file: Path) -> None:
    """As a tool does that keeps time stamps; the size is the same too."""
    old = file.stat()
    beside = write_text(file.with_suffix(".tmp"), NOTHING.replace("n", "m"))
    os.utime(beside, ns=(old.st_atime_ns, old.st_mtime_ns))
    os.replace(beside, file)


def write_with_backup(file: Path) -> None:
    """The old one steps aside, the new one is made in its place."""
    file.rename(file.with_suffix(".bak"))
    write_text(file, NOTHING)


def delete_and_make(file: Path) -> None:
    file.unlink()
    write_text(file, NOTHING)


def put_an_older_one(file: Path) -> None:
    before_s = file.stat().st_mtime
    write_into(file)
    os.utime(file, (before_s - 3600.0, before_s - 3600.0))


WAYS = [
    write_into,
    write_as_long,
    write_by_rename,
    write_by_rename_with_the_old_time,
    write_with_backup,
    delete_and_make,
    put_an_older_one,
]


@pytest.mark.parametrize("write", WAYS)
def test_a_change_is_reported_once_when_it_has_settled(
    write: Callable[[Path], None], file: Path
) -> None:
    watched = WatchedFile(str(file))
    for _ in range(3):
        assert [watched.changed() for _ in range(3)] == [False, False, False]
        time.sleep(TICK_S)
        write(file)
        assert [watched.changed() for _ in range(4)] == [False, True, False, False]


@pytest.mark.skipif(sys.platform == "win32", reason="no sed there")
def test_sed_in_place(file: Path) -> None:
    watched = WatchedFile(str(file))
    subprocess.run(["sed", "-i.old", "s/nothing/another/", str(file)], check=True)
    assert [watched.changed() for _ in range(3)] == [False, True, False]


def test_pieces_are_waited_for(file: Path) -> None:
    """Truncate, then write slowly; every look in between sees another size."""
    watched = WatchedFile(str(file))
    time.sleep(TICK_S)
    with file.open("w", encoding="utf-8") as writing:
        assert not watched.changed()
        for letter in NOTHING:
            writing.write(letter)
            writing.flush()
            assert not watched.changed()
    assert watched.changed()
    assert documents.voice(str(file)).name == "nothing but the limiter"


def test_a_file_that_is_away_is_no_change_until_it_is_back(file: Path) -> None:
    watched = WatchedFile(str(file))
    file.rename(file.with_suffix(".away"))
    assert [watched.changed() for _ in range(3)] == [False, False, False]
    file.with_suffix(".away").rename(file)
    assert [watched.changed() for _ in range(3)] == [False, False, False]  # it is the old one
    file.unlink()
    assert not watched.changed()
    write_text(file, NOTHING)
    assert [watched.changed() for _ in range(3)] == [False, True, False]


def test_one_that_is_not_there_yet(tmp_path: Path) -> None:
    watched = WatchedFile(str(tmp_path / "a.toml"))
    assert not watched.changed()
    write_text(tmp_path / "a.toml", NOTHING)
    assert [watched.changed() for _ in range(3)] == [False, True, False]


@pytest.mark.skipif(sys.platform == "win32", reason="links need a right there")
def test_a_link_is_followed(file: Path, tmp_path: Path) -> None:
    other = write_text(tmp_path / "b.toml", NOTHING)
    link = tmp_path / "link.toml"
    link.symlink_to(file)
    watched = WatchedFile(str(link))
    write_into(file)
    assert [watched.changed() for _ in range(3)] == [False, True, False]
    (tmp_path / "new").symlink_to(other)
    os.replace(tmp_path / "new", link)
    assert [watched.changed() for _ in range(3)] == [False, True, False]


def test_the_home_folder_may_be_named(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(file.parent))
    monkeypatch.setenv("USERPROFILE", str(file.parent))
    watched = WatchedFile(f"~/{file.name}")
    write_by_rename(file)
    assert [watched.changed() for _ in range(2)] == [False, True]


def test_a_shipped_name_is_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Even if there is a file of that name."""
    monkeypatch.chdir(tmp_path)
    watched = WatchedFile("everyday")
    write_text(tmp_path / "everyday", NOTHING)
    assert [watched.changed() for _ in range(3)] == [False, False, False]
