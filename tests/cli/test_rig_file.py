"""Changing rig files: what the user wrote survives."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carrierfloor.cli.rig_file import Change, RigFile
from carrierfloor.dsp.path import Path as AudioPath
from tests.cli.files import write_text
from tests.cli.rig_files import DAY, FITTED, MINE, changed


def test_a_number_and_a_word(tmp_path: Path) -> None:
    def change(file: RigFile) -> None:
        file.set("level", "full_modulation_dbfs", -7.25004)
        file.set("level", "polarity", "normal", "with the scope")

    expected = MINE.replace(
        "-6    # read off the trapezoid",
        "-7.25    # read off the trapezoid; measured 2026-11-25",
    ).replace('"inverted"\n', '"normal"  # measured 2026-11-25, with the scope\n')
    assert changed(MINE, change, tmp_path) == expected


def test_a_mark_before_utf_8_does_no_harm(tmp_path: Path) -> None:
    """Some editors write a byte order mark (Unicode 16.0, 23.8); TOML 1.0 does not know it."""

    def change(file: RigFile) -> None:
        file.set("level", "full_modulation_dbfs", -6.0)
        file.set("level", "polarity", "normal")

    assert changed("\ufeff" + MINE, change, tmp_path).endswith(changed(MINE, change, tmp_path))


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
