"""Changing rig files: what the user wrote survives, and nothing bad is ever written."""

import os
import re
import stat
import sys
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from subprocess import run as run_program
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carrierfloor import presets
from carrierfloor.cli import documents
from carrierfloor.cli.rig_file import Change, RigFile
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path import Path as AudioPath
from carrierfloor.dsp.sections import Section
from tests.cli.files import left_over, refusal, run, write_text

Capsys = pytest.CaptureFixture[str]
DAY = date(2026, 11, 25)
FITTED = AudioPath(
    name="80 m",
    sections=(
        Section(kind="highpass", corner_hz=41.23456, q=0.712343),
        Section(kind="peak", centre_hz=900.0, gain_db=-1.23456, q=0.8),
        Section(kind="lowpass", corner_hz=7012.3),
    ),
)
MINE = """\
# Built in spring.
name = "mine"   # the big one

[level]  # scope on the plate
full_modulation_dbfs = -6    # read off the trapezoid
polarity = "inverted"

# Both bands share the modulator.
[[paths]]  # the low band
name = "80 m"
  # coupling
  [[paths.sections]]
  kind = "highpass"
  corner_hz = 40.0  # 0.1 uF
  q = 0.7

# The output network is narrower here.
[[paths]]
name = "40 m"
  [[paths.sections]]
  kind = "lowpass"
  corner_hz = 5000.0

[notes]  # nobody's business
tubes = ["two", "of them"]

[notes.next]
what = "new capacitors"
"""


def changed(text: str, change: Callable[[RigFile], object], folder: Path) -> str:
    """Write a file, change it, and return the text it has then."""
    file = folder / "rig.toml"
    file.write_bytes(text.encode())
    opened = RigFile(str(file), DAY)
    change(opened)
    opened.save()
    assert left_over(folder) == []
    return file.read_bytes().decode()


def test_a_number_and_a_word(tmp_path: Path) -> None:
    def change(file: RigFile) -> None:
        file.set("level", "full_modulation_dbfs", -7.25004)
        file.set("level", "polarity", "normal", "with the scope")

    expected = MINE.replace(
        "-6    # read off the trapezoid",
        "-7.25    # read off the trapezoid; measured 2026-11-25",
    ).replace('"inverted"\n', '"normal"  # measured 2026-11-25, with the scope\n')
    assert changed(MINE, change, tmp_path) == expected


def test_a_path_takes_the_place_of_its_namesake(tmp_path: Path) -> None:
    """And the note on the next path stays with the next path."""
    expected = MINE.replace('"80 m"\n', '"80 m"  # measured 2026-11-25\n').replace(
        """\
  # coupling
  [[paths.sections]]
  kind = "highpass"
  corner_hz = 40.0  # 0.1 uF
  q = 0.7
""",
        """\
  # coupling
# 0.1 uF

  [[paths.sections]]
  kind = "highpass"
  corner_hz = 41.235
  q = 0.71234

  [[paths.sections]]
  kind = "peak"
  centre_hz = 900.0
  gain_db = -1.235
  q = 0.8

  [[paths.sections]]
  kind = "lowpass"
  corner_hz = 7012.3
""",
    )
    assert changed(MINE, lambda file: file.set_path(FITTED), tmp_path) == expected


def test_a_new_path_comes_last(tmp_path: Path) -> None:
    path = AudioPath(name="160 m", sections=FITTED.sections[:1])
    added = """\
[[paths]]
name = "160 m"  # measured 2026-11-25

  [[paths.sections]]
  kind = "highpass"
  corner_hz = 41.235
  q = 0.71234

"""
    expected = MINE.replace("[notes]  #", f"{added}[notes]  #")
    assert changed(MINE, lambda file: file.set_path(path), tmp_path) == expected


def test_tables_that_are_not_there_are_made(tmp_path: Path) -> None:
    def change(file: RigFile) -> None:
        file.set("modulation", "negative_limit_pct", 93)
        file.set_path(AudioPath(name="flat"))

    expected = """\
name = "bare"

[modulation]
negative_limit_pct = 93.0  # measured 2026-11-25

[[paths]]
name = "flat"  # measured 2026-11-25
"""
    assert changed('name = "bare"', change, tmp_path) == expected


def test_the_same_again_leaves_one_stamp(tmp_path: Path) -> None:
    """A comment of the user's and a stamp of last year: the first stays, the second is renewed."""
    before = MINE.replace("off the trapezoid", "off the trapezoid; measured 2025-01-31, by me")
    text = changed(before, lambda file: file.set("level", "full_modulation_dbfs", -6.0), tmp_path)
    assert "-6.0    # read off the trapezoid; measured 2026-11-25\n" in text
    once = changed(MINE, lambda file: file.set_path(FITTED), tmp_path)
    assert changed(once, lambda file: file.set_path(FITTED), tmp_path) == once


@pytest.mark.parametrize(
    "text",
    [
        'name = "x"\nlevel.full_modulation_dbfs = -6.0\nlevel.polarity = "normal"\n',
        'name = "x"\nlevel = { full_modulation_dbfs = -6.0 }\n',
        'name = "x"\npaths = []\n',
        'name = "x"\n[[paths]]\nname = "80 m"\nsections = [\n{kind = "lowpass", corner_hz = 4},\n]',
        'name = "x"\n[[paths]]\nname = "80 m"\n[[paths]]\n',
        'name = """\n[[paths]]\n"""\n"level" = {}\n',
    ],
)
def test_other_ways_to_write_the_same(text: str, tmp_path: Path) -> None:
    """Judged by Python's own reader."""

    def change(file: RigFile) -> None:
        file.set("level", "full_modulation_dbfs", -7.5)
        file.set_path(FITTED)

    before = tomllib.loads(text)
    after = tomllib.loads(changed(text, change, tmp_path))
    assert after["name"] == before["name"]
    assert after["level"] == before.get("level", {}) | {"full_modulation_dbfs": -7.5}
    assert after["paths"][0]["sections"][0] == {
        "kind": "highpass",
        "corner_hz": 41.235,
        "q": 0.71234,
    }
    assert after["paths"][1:] == before.get("paths", [])[1:]


def test_line_ends_stay_as_they_are(tmp_path: Path) -> None:
    def change(file: RigFile) -> None:
        file.set("modulation", "negative_limit_pct", 93)
        file.set_path(FITTED)

    plain = changed(MINE, change, tmp_path)
    other = changed(MINE.replace("\n", "\r\n"), change, tmp_path)
    assert other == plain.replace("\n", "\r\n")


COMMENTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=12).map(
    "#§{}".format
)


@st.composite
def rig_texts(draw: st.DrawFn) -> str:
    """A correct rig file with comments and blank lines wherever TOML allows them."""

    def line(text: str) -> str:
        behind = draw(st.just("") | COMMENTS)
        below = draw(st.sampled_from(["", "\n", "\n\n", "  # §\n\n"]) | COMMENTS.map("{}\n".format))
        return f"{text} {behind}\n{below}"

    def lines(*texts: str) -> str:
        return "".join(line(text) for text in texts)

    parts = {
        "level": lines("[level]", "full_modulation_dbfs = -6", 'polarity = "normal"'),
        "notes": lines("[notes]", 'paths = "[[paths]] # none"'),
        "paths": "",
    }
    for name in draw(st.lists(st.sampled_from(["80 m", "40 # m", "20 m"]), unique=True)):
        section = lines("[[paths.sections]]", 'kind = "lowpass"', "corner_hz = 5000.0")
        parts["paths"] += lines("[[paths]]", f'name = "{name}"') + draw(
            st.sampled_from(["", section])
        )
    order = draw(st.permutations(sorted(parts)))
    chosen = draw(st.sets(st.sampled_from(order)))
    return line('name = "x"') + "".join(parts[part] for part in order if part in chosen)


@settings(max_examples=60, deadline=None)
@given(text=rig_texts(), name=st.sampled_from(["80 m", "40 # m", 'new "one"']))
def test_no_comment_is_ever_lost(text: str, name: str, tmp_path_factory: Any) -> None:
    """Whatever the layout: the content is what was asked for, and every comment is still there."""
    folder = tmp_path_factory.mktemp("rig")

    def change(file: RigFile) -> None:
        file.set("level", "full_modulation_dbfs", -9.0)
        file.set_path(AudioPath(name=name, sections=FITTED.sections))

    after = changed(text, change, folder)
    before, now = tomllib.loads(text), tomllib.loads(after)
    others = [path for path in before.get("paths", []) if path["name"] != name]
    assert [path for path in now["paths"] if path["name"] != name] == others
    assert len([path for path in now["paths"] if path["name"] == name]) == 1
    assert now["level"] == before.get("level", {}) | {"full_modulation_dbfs": -9.0}
    assert now.get("notes") == before.get("notes")
    for comment in re.findall("§.*", text):
        assert comment.strip() in after


def test_changes_say_what_was_and_what_is(tmp_path: Path) -> None:
    file = RigFile(str(write_text(tmp_path / "rig.toml", MINE)), DAY)
    file.set("level", "full_modulation_dbfs", -7.0)
    file.set("level", "full_modulation_dbfs", -7.25)
    file.set("level", "polarity", "inverted")
    file.set("modulation", "negative_limit_pct", 93.0)
    file.set_path(AudioPath(name="80 m", sections=FITTED.sections[:2]))
    assert file.changes == [
        Change("level.full_modulation_dbfs", "-6", "-7.25"),
        Change("modulation.negative_limit_pct", "", "93"),
        Change(
            "path 80 m",
            "highpass 40 Hz q 0.7",
            "highpass 41.235 Hz q 0.71234, peak 900 Hz -1.235 dB q 0.8",
        ),
    ]
    assert file.rig.level.full_modulation_dbfs == -7.25
    assert file.rig.paths[0].sections[0].q == 0.71234


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
def test_a_protected_file_is_refused_at_once(tmp_path: Path) -> None:
    """Nobody should measure for minutes and then be told; in a process that is not root."""
    place = write_text(tmp_path / "rig.toml", MINE)
    place.chmod(0o444)
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    script = "import os, sys\nif os.getuid() == 0: os.setuid(65534)\n"
    script = f"{script}from carrierfloor.cli.rig_file import RigFile\n"
    script = f"import carrierfloor.cli.rig_file\n{script}RigFile(sys.argv[1])"
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


def test_what_cannot_be_copied(tmp_path: Path, capsys: Capsys) -> None:
    bad = write_text(tmp_path / "bad.toml", 'name = "x"\nlevel = 3\n')
    new = tmp_path / "new.toml"
    assert "level must be a table" in refusal(capsys, "rigs", "copy", bad, new)
    assert "'nobody' is not known" in refusal(capsys, "rigs", "copy", "nobody", new)
    assert "ending must be .toml" in refusal(capsys, "rigs", "copy", "dc-coupled", "mine")
    gone = tmp_path / "gone" / "new.toml"
    assert "cannot be made: No such" in refusal(capsys, "rigs", "copy", "dc-coupled", gone)
    assert not new.exists()
