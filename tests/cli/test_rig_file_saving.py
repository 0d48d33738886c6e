"""Saving and copying rig files: backups, rights, and nothing bad is ever written."""

import os
import re
import shlex
import stat
import sys
from pathlib import Path
from subprocess import run as run_program
from tempfile import TemporaryDirectory

import pytest

from carrierfloor import presets
from carrierfloor.cli import documents
from carrierfloor.cli.rig_file import RigFile
from carrierfloor.dsp.errors import SettingError
from tests.cli.files import left_over, refusal, run, write_text
from tests.cli.rig_files import DAY, FITTED, MINE

Capsys = pytest.CaptureFixture[str]


def test_backups_are_numbered_and_never_overwritten(tmp_path: Path) -> None:
    place = write_text(tmp_path / "rig.toml", MINE)
    write_text(tmp_path / "rig.backup-3.toml", "precious")
    texts = [MINE]
    for level in (-7.0, -8.0):
        file = RigFile(str(place), DAY)
        file.set("level", "full_modulation_dbfs", level)
        backup = file.save()
        assert backup == tmp_path / f"rig.backup-{len(texts) + 3}.toml"
        assert backup.read_text() == texts[-1]
        texts.append(place.read_text())
    assert (tmp_path / "rig.backup-3.toml").read_text() == "precious"
    assert len(list(tmp_path.iterdir())) == 4
    assert RigFile(str(place), DAY).save() is None  # nothing was changed
    assert len(list(tmp_path.iterdir())) == 4


def test_rights_stay_and_a_link_is_followed(tmp_path: Path) -> None:
    folder = tmp_path / "real"
    folder.mkdir()
    place = write_text(folder / "rig.toml", MINE)
    place.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(place)
    file = RigFile(str(link), DAY)
    file.set("level", "polarity", "normal")
    backup = file.save()
    assert link.is_symlink()
    assert 'polarity = "normal"' in place.read_text()
    assert backup == folder / "rig.backup-1.toml"
    assert [stat.S_IMODE(one.stat().st_mode) for one in (place, backup)] == [0o640, 0o640]


def test_what_is_not_allowed_changes_nothing(tmp_path: Path) -> None:
    place = write_text(tmp_path / "rig.toml", MINE)
    file = RigFile(str(place), DAY)
    with pytest.raises(SettingError, match=r"full_modulation_dbfs is 3 dBFS; it must be -40 to 0"):
        file.set("level", "full_modulation_dbfs", 3.0)
    with pytest.raises(SettingError, match="loudness is not a known key"):
        file.set("level", "loudness", 3.0)
    assert file.changes == []
    assert file.save() is None
    assert place.read_text() == MINE


def test_somebody_else_is_not_overwritten(tmp_path: Path) -> None:
    place = write_text(tmp_path / "rig.toml", MINE)
    file = RigFile(str(place), DAY)
    file.set("level", "polarity", "normal")
    write_text(place, 'name = "edited meanwhile"\n')
    with pytest.raises(SettingError, match="was changed by somebody else meanwhile"):
        file.save()
    assert place.read_text() == 'name = "edited meanwhile"\n'
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('name = "x"\npaths = [{name = "80 m"}]\n', "head each path with [[paths]] instead"),
        ('name = "x"\n[[paths]]\n[level]\n[[paths]]\n', "all [[paths]] one behind the other"),
        ('name = "x"\n[[paths]]\nname = "80 m"\n[[paths]]\nname = "80 m"', "2 paths are named"),
        ('name = "x"\n[antenna]\n', "antenna is not a known key"),
        ("name = \n", "line 1, column 8"),
    ],
)
def test_files_that_cannot_be_changed(text: str, words: str, tmp_path: Path) -> None:
    place = write_text(tmp_path / "rig.toml", text)
    with pytest.raises(SettingError, match=re.escape(words)):
        RigFile(str(place), DAY).set_path(FITTED)
    assert place.read_text() == text


def test_shipped_rigs_are_never_changed() -> None:
    with pytest.raises(SettingError, match=r"carrierfloor rigs copy no-headroom my-rig\.toml"):
        RigFile("no-headroom")


FULL_DISK = """
import resource, signal, sys
from carrierfloor.cli.rig_file import RigFile
file = RigFile(sys.argv[1])
file.set("level", "polarity", "normal")
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)
file.save()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="a limit as of a full disk")
@pytest.mark.parametrize("room", [100, len(MINE)])
def test_a_full_disk_leaves_the_file(room: int, tmp_path: Path) -> None:
    """With room for nothing, and for the backup but not for the longer file."""
    place = write_text(tmp_path / "rig.toml", MINE)
    done = run_program(
        [sys.executable, "-c", FULL_DISK, place, str(room)], capture_output=True, text=True
    )
    assert "SettingError" in done.stderr
    assert "rig.toml: cannot be written: File too large" in done.stderr
    assert place.read_text() == MINE
    assert left_over(tmp_path) == []
    backups = [file.read_text() for file in tmp_path.glob("rig.backup-*")]
    assert backups == ([MINE] if room == len(MINE) else [])


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="needs rights of files")
def test_a_protected_file_is_refused_at_once() -> None:
    """Nobody should measure for minutes and then be told; in a process that is not root."""
    script = "import os, sys\nif os.getuid() == 0: os.setuid(65534)\n"
    script = f"{script}from carrierfloor.cli.rig_file import RigFile\n"
    script = f"import carrierfloor.cli.rig_file\n{script}RigFile(sys.argv[1])"
    with TemporaryDirectory() as folder:  # one that others may look into
        Path(folder).chmod(0o755)
        place = write_text(Path(folder) / "rig.toml", MINE)
        place.chmod(0o444)
        done = run_program([sys.executable, "-c", script, place], capture_output=True, text=True)
    assert "rig.toml: cannot be changed: " in done.stderr
    assert "is write-protected" in done.stderr


@pytest.mark.parametrize("rig", presets.names("rigs"))
def test_copy(rig: str, tmp_path: Path, capsys: Capsys) -> None:
    mine = tmp_path / "mine.toml"
    assert run("rigs", "copy", rig, mine) == 0
    assert "mine.toml" in capsys.readouterr().out
    assert mine.read_text("utf-8") == presets.text("rigs", rig)
    assert documents.rig(str(mine)) == presets.rig(rig)
    assert "exists already" in refusal(capsys, "rigs", "copy", rig, mine)
    assert run("rigs", "copy", mine, tmp_path / "other.toml") == 0
    assert (tmp_path / "other.toml").read_bytes() == mine.read_bytes()


def test_a_copy_whose_name_has_blanks_can_be_pasted(tmp_path: Path, capsys: Capsys) -> None:
    assert run("rigs", "copy", "dc-coupled", tmp_path / "my old rig.toml") == 0
    pasted = shlex.split(capsys.readouterr().out)
    assert pasted[pasted.index("--rig") + 1] == str(tmp_path / "my old rig.toml")


def test_what_cannot_be_copied(tmp_path: Path, capsys: Capsys) -> None:
    bad = write_text(tmp_path / "bad.toml", 'name = "x"\nlevel = 3\n')
    new = tmp_path / "new.toml"
    assert "level must be a table" in refusal(capsys, "rigs", "copy", bad, new)
    assert "'nobody' is not known" in refusal(capsys, "rigs", "copy", "nobody", new)
    assert "ending must be .toml" in refusal(capsys, "rigs", "copy", "dc-coupled", "mine")
    gone = tmp_path / "gone" / "new.toml"
    assert "cannot be made: No such" in refusal(capsys, "rigs", "copy", "dc-coupled", gone)
    assert not new.exists()
