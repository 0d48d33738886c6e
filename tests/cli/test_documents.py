"""The commands ``voices`` and ``rigs``."""

import dataclasses
import subprocess
import sys
from pathlib import Path

import pytest

from carrierfloor import presets
from carrierfloor.cli import documents, screen
from carrierfloor.dsp.rig import Carrier, Level, Modulation, Modulator, Plate
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.voice import BUILT_IN, design_type
from tests.cli.files import FLAT_RIG, PATH_RIG, refusal, run, write_text

Capsys = pytest.CaptureFixture[str]


@pytest.mark.parametrize("what", ["voices", "rigs"])
def test_list_names_all_that_ship(what: str, capsys: Capsys) -> None:
    for arguments in ([what], [what, "list"]):
        assert run(*arguments) == 0
        out = capsys.readouterr().out
        assert all(name in out for name in presets.names(what))
        assert out.count("(default)") == 1


@pytest.mark.parametrize("what", ["voices", "rigs"])
def test_all_that_ship_are_correct_and_can_be_shown(
    what: str, tmp_path: Path, capsys: Capsys
) -> None:
    for name in presets.names(what):
        copy = write_text(tmp_path / f"{name}.toml", presets.text(what, name))
        assert run(what, "validate", name, copy) == 0
        assert run(what, "show", copy) == 0
    assert "correct" in capsys.readouterr().out


def test_show_a_voice(tmp_path: Path, capsys: Capsys) -> None:
    file = write_text(
        tmp_path / "v.toml",
        'name = "mine"\n[[stages]]\nkind = "drive"\ndrive_db = 7.5\n[[stages]]\nkind = "clipper"\n',
    )
    assert run("voices", "show", file) == 0
    out = capsys.readouterr().out
    assert "drive_db" in out
    assert "7.5 dB" in out
    assert "a clipper with no low_pass after it" in out


@pytest.mark.parametrize("action", ["list", "keys", "show"])
def test_no_word_is_cut_at_60_columns(
    action: str, monkeypatch: pytest.MonkeyPatch, capsys: Capsys
) -> None:
    """Words break where there is no room; names of keys are there to be copied."""
    monkeypatch.setattr(screen, "REDIRECTED_WIDTH", 60)
    assert run("rigs", action, *(["no-headroom"] if action == "show" else [])) == 0
    assert "…" not in capsys.readouterr().out


def test_show_a_rig(tmp_path: Path, capsys: Capsys) -> None:
    assert run("rigs", "show", write_text(tmp_path / "r.toml", PATH_RIG)) == 0
    out = capsys.readouterr().out
    assert "transformer" in out
    assert ["highpass", "40", "Hz", "q", "0.7"] in [line.split() for line in out.splitlines()]
    assert "506 W" in out  # (1 + 1.25)^2 x 100 W
    assert run("rigs", "show", write_text(tmp_path / "r.toml", FLAT_RIG)) == 0
    assert "DC-coupled and flat" in capsys.readouterr().out


def test_a_stage_without_settings_is_shown_too(tmp_path: Path, capsys: Capsys) -> None:
    file = write_text(tmp_path / "v.toml", 'name = "mine"\n[[stages]]\nkind = "tone"\n')
    assert run("voices", "show", file) == 0
    assert "1 tone" in capsys.readouterr().out


def test_words_of_a_document_are_shown_as_they_are(tmp_path: Path, capsys: Capsys) -> None:
    """Brackets and colons mean something to rich, the package that prints."""
    words = "[red]80 m[/blue] :smile:"
    rig = PATH_RIG.replace("transformer", words).replace('"flat"', f'"flat"\ndescription="{words}"')
    assert run("rigs", "show", write_text(tmp_path / "r.toml", rig)) == 0
    assert capsys.readouterr().out.count(words) == 2


@pytest.mark.parametrize("what", ["voices", "rigs"])
def test_documents_load_no_chain(what: str) -> None:
    script = (
        f"import sys; import carrierfloor.cli.{what}\n"
        "slow = {'carrierfloor.dsp.chain', 'soundfile', 'matplotlib', 'scipy.signal'}\n"
        "sys.exit(' '.join(slow & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_keys_of_a_voice_are_all_there(capsys: Capsys) -> None:
    assert run("voices", "keys") == 0
    out = capsys.readouterr().out
    for kind in BUILT_IN:
        assert f'kind = "{kind}"' in out
        for item in dataclasses.fields(design_type(kind)):
            assert item.name in out


def test_keys_of_one_kind(capsys: Capsys) -> None:
    assert run("voices", "keys", "drive") == 0
    out = capsys.readouterr().out
    assert "drive_db" in out
    assert "-20 to 40 dB" in out
    assert "gain ahead of the stages that follow" in out
    assert "corner_hz" not in out


def test_keys_of_a_rig_are_all_there(capsys: Capsys) -> None:
    assert run("rigs", "keys") == 0
    out = capsys.readouterr().out
    for part in (Carrier, Plate, Modulator, Modulation, Level, Section):
        for item in dataclasses.fields(part):
            assert item.name in out
    assert "50 to 99.5 %" in out
    assert "[[sections]]" in out


def test_validate_says_what_is_wrong_with_each(tmp_path: Path, capsys: Capsys) -> None:
    good = write_text(tmp_path / "good.toml", FLAT_RIG)
    bad = write_text(tmp_path / "bad.toml", FLAT_RIG.replace("-6.0", "6.0"))
    assert run("rigs", "validate", good, bad, tmp_path / "no.toml") == 2
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == f"{good}: correct"
    assert "full_modulation_dbfs is 6 dBFS; it must be -40 to 0 dBFS" in lines[1]
    assert lines[2] == f"{tmp_path / 'no.toml'}: No such file or directory"


def test_a_syntax_error_names_its_place(tmp_path: Path, capsys: Capsys) -> None:
    file = write_text(tmp_path / "bad.toml", 'name = "x"\n[level\n')
    line = refusal(capsys, "rigs", "show", file)
    assert line.startswith(f"carrierfloor rigs: {file}: line 2, column ")


def test_unknown_names(capsys: Capsys) -> None:
    assert "shipped voices: bypass, " in refusal(capsys, "voices", "show", "operatic")
    assert "known kinds: condition, " in refusal(capsys, "voices", "keys", "reverb")


def test_defaults() -> None:
    assert documents.voice() == presets.voice()
    assert documents.rig() == presets.rig()
