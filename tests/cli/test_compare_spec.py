"""The grammar of ``compare --with SPEC``."""

import re
from pathlib import Path

import pytest

from carrierfloor.cli.compare_spec import Spec, read_specs
from carrierfloor.dsp.errors import AudioError, SettingError
from tests.cli.files import FLAT_RIG, NOTHING, write_sound, write_text


def read(*texts: str) -> tuple[Spec, ...]:
    return read_specs(texts, None)


def test_grammar(tmp_path: Path) -> None:
    voice = write_text(tmp_path / "hot.toml", NOTHING)
    rig = write_text(tmp_path / "r.toml", FLAT_RIG)
    file = write_sound(tmp_path / "talk.wav")
    found = read(
        "dense", f"voice={voice},name=Mine", "drive=14", "gentle, positive-limit = 100",
        f"{file}", f"file={file},rig={rig}", "unprocessed", f"unprocessed,rig={rig}", str(voice),
    )  # fmt: skip
    assert [spec.name for spec in found] == [
        "dense", "Mine", "everyday, drive 14", "gentle, positive-limit 100", "talk", "talk, rig r",
        "unprocessed", "unprocessed, rig r", "hot",
    ]  # fmt: skip
    assert [spec.has_voice for spec in found] == [True] * 4 + [False] * 4 + [True]
    assert found[2].options.drive_db == 14.0
    assert found[3].options.positive_limit_pct == 100.0
    assert found[5].file == file
    assert found[5].options.rig == str(rig)
    assert read_specs(["dense", "gentle,rig=no-headroom"], str(rig))[0].options.rig == str(rig)


def test_commas_between_double_quotes(tmp_path: Path) -> None:
    file = write_sound(tmp_path / "loud, clean.wav")
    found = read(f'"{file}"', f'"file={file}", "name=mine, yours"')
    assert [spec.file for spec in found] == [file, file]
    assert [spec.name for spec in found] == ["loud, clean", "mine, yours"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("dense,drvie=3", "drvie is not a known key; did you mean drive?"),
        ("dense,3", "'3' must be key=value; keys: voice, drive, file, rig"),
        ("dense,drive=", "'drive=' must be key=value"),
        ("dense,name=loud, clean", "what has a comma in it stands between double quotes"),
        ("dense,drive=loud", "drive is 'loud'; it must be a number"),
        ("dense,drive=99", "drive_db is 99 dB; it must be -20 to 40 dB"),
        ("bypass,drive=3", "has no drive stage"),
        ("dense,drive=1,drive=2", "drive is given twice"),
        ("dense,voice=gentle", "voice is given twice"),
        ("dense,negative-limit=120", "negative_limit_pct is 120 %"),
        ("dense,rig=nobody", "nobody"),
        ("unprocessed,drive=3", "unprocessed goes through no voice"),
        ("file=x.wav,voice=dense", "file goes through no voice"),
        ("unprocessed,file=x.wav", "either unprocessed or a file"),
        ("unprocessed=yes", "write unprocessed alone"),
        ("", "'' must be key=value"),
        ('"dense', "a double quote has no partner"),
        ('"dense"x', "a double quote has no partner"),
    ],
)
def test_what_a_spec_must_not_be(text: str, words: str) -> None:
    with pytest.raises(SettingError, match=re.escape(words)) as refused:
        read("gentle", text)
    assert str(refused.value).startswith(f"--with {text}: ")


def test_a_file_that_is_no_sound_is_refused_at_once(tmp_path: Path) -> None:
    text = write_text(tmp_path / "talk.txt", "words")
    with pytest.raises(AudioError, match=r"talk\.txt: not a sound file that can be read"):
        read("gentle", f"file={text}")
