"""Whatever is wrong: one clear line, exit status 2, and no partial file."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.dsp.errors import SettingError
from tests.cli.files import (
    PATH_RIG,
    documents,
    in_other_process,
    left_over,
    refusal,
    run,
    write_sound,
    write_text,
)

Capsys = pytest.CaptureFixture[str]


@pytest.fixture
def source(tmp_path: Path) -> Path:
    return write_sound(tmp_path / "in.wav")


@pytest.fixture(autouse=True)
def nothing_unfinished(tmp_path: Path) -> Iterator[None]:
    yield
    assert left_over(tmp_path) == []


def refused(capsys: Capsys, folder: Path, source: Path, *options: object) -> str:
    """Run ``process``; assert that no output appears; return the line without its head."""
    target = folder / "out.wav"
    line = refusal(capsys, "process", source, target, *documents(folder), *options)
    assert not target.exists()
    head = "carrierfloor process: "
    assert line.startswith(head)
    return line.removeprefix(head)


def test_missing_file(tmp_path: Path, capsys: Capsys) -> None:
    line = refused(capsys, tmp_path, tmp_path / "no.wav")
    assert line == f"{tmp_path / 'no.wav'}: No such file or directory"


def test_folder_as_input(tmp_path: Path, capsys: Capsys) -> None:
    assert "is a folder; use --into" in refused(capsys, tmp_path, tmp_path)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root reads all")
def test_unreadable_file(source: Path, tmp_path: Path, capsys: Capsys) -> None:
    source.chmod(0)
    assert "Permission denied" in refused(capsys, tmp_path, source)


def test_empty_file(tmp_path: Path, capsys: Capsys) -> None:
    assert "empty file" in refused(capsys, tmp_path, write_text(tmp_path / "in.wav", ""))


@pytest.mark.parametrize("name", ["in.wav", "in.mp3", "in.raw", "in"])
def test_no_sound_file(name: str, tmp_path: Path, capsys: Capsys) -> None:
    file = write_text(tmp_path / name, "these are words\n" * 100)
    assert f"{file}: not a sound file" in refused(capsys, tmp_path, file)


def test_no_samples(tmp_path: Path, capsys: Capsys) -> None:
    file = write_sound(tmp_path / "in.wav", np.zeros(0))
    assert refused(capsys, tmp_path, file) == f"{file}: holds no samples"


@pytest.mark.parametrize("rate_hz", [4000, 384_000])
def test_sample_rate_out_of_range(rate_hz: int, tmp_path: Path, capsys: Capsys) -> None:
    file = write_sound(tmp_path / "in.wav", rate_hz=rate_hz)
    assert f"{rate_hz} Hz; it must be 8000 to 192000 Hz" in refused(capsys, tmp_path, file)


def test_damaged_file(tmp_path: Path, capsys: Capsys) -> None:
    noise = np.random.default_rng(9).uniform(-0.5, 0.5, 200_000)
    file = write_sound(tmp_path / "in.flac", noise, subtype="PCM_16")
    content = bytearray(file.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 3000] = bytes(3000)
    file.write_bytes(content)
    assert "damaged after" in refused(capsys, tmp_path, file)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--voice", "operatic"], "voice 'operatic' is not known; shipped voices:"),
        (["--rig", "spark-gap"], "rig 'spark-gap' is not known; shipped rigs: dc-coupled"),
        (["--voice", "./none.toml"], "none.toml: No such file or directory"),
        (["--rig", "."], ".: Is a directory"),
        (["--negative-limit", "120"], "negative_limit_pct is 120 %; it must be 50 to 99.5 %"),
        (["--negative-limit", "nan"], "negative_limit_pct is nan %; it must be 50 to 99.5 %"),
        (["--positive-limit", "20"], "positive_limit_pct is 20 %; it must be 50 to 200 %"),
        (["--drive", "6"], "has no drive stage"),
        (["--channel", "3"], "channel is '3'; it must be mix, left, right or 1 to 1"),
        (["--rate", "4000"], "--rate is 4000 Hz; it must be 8000 to 192000 Hz"),
        (["--rate", "48k"], "argument --rate: invalid int value: '48k'"),
        (["--subtype", "MP3"], "sample type MP3 is not allowed"),
        (["--subtype", "ULAW"], "its errors would break the limits at the antenna"),
        (["--subtype", "PCM_S8"], "PCM_S8 does not go into a WAV file"),
        (["--report", "r.txt"], "the ending must be .json or .csv"),
        (["--report", "no/r.json"], "there is no folder no"),
        (["--loudness", "11"], "unrecognized arguments: --loudness 11"),
    ],
)
def test_options(
    options: list[str], words: str, source: Path, tmp_path: Path, capsys: Capsys
) -> None:
    if "--loudness" in options:
        line = refusal(capsys, "process", source, tmp_path / "out.wav", *options)
        assert words in line
    else:
        assert words in refused(capsys, tmp_path, source, *options)


def test_a_coarse_sample_type_at_a_low_level(source: Path, tmp_path: Path, capsys: Capsys) -> None:
    """8 bits 40 dB down would add more than the limits can leave room for."""
    rig = write_text(tmp_path / "low.toml", 'name = "low"\n[level]\nfull_modulation_dbfs = -40.0\n')
    line = refused(capsys, tmp_path, source, "--rig", rig, "--subtype", "PCM_U8")
    assert "full_modulation_dbfs is -40 dBFS" in line


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('name = "x"\n[modulation\n', "line 2"),
        ("name = 5\n", "name is 5; it must be text in quotes"),
        ('name = "x"\nvolume = 3\n', "volume is not a known key"),
        ('name = "x"\n[modulation]\nnegative_limit = 90\n', "did you mean negative_limit_pct?"),
        ('name = "x"\n[modulation]\nnegative_limit_pct = 100\n', "it must be 50 to 99.5 %"),
        ('name = "x"\n[level]\npolarity = "upside"\n', "must be one of: normal, inverted"),
        ("", "name is missing"),
    ],
)
def test_rig_files(text: str, words: str, source: Path, tmp_path: Path, capsys: Capsys) -> None:
    rig = write_text(tmp_path / "bad.toml", text)
    line = refused(capsys, tmp_path, source, "--rig", rig)
    assert line.startswith(f"{rig}: ")
    assert words in line


def test_document_that_is_no_text(source: Path, tmp_path: Path, capsys: Capsys) -> None:
    assert "not a text file in UTF-8" in refused(capsys, tmp_path, source, "--rig", source)


@pytest.mark.parametrize("name", ["out.mp3", "out.ogg", "out", "out.wav.bak"])
def test_output_of_another_kind(name: str, source: Path, tmp_path: Path, capsys: Capsys) -> None:
    line = refusal(capsys, "process", source, tmp_path / name, *documents(tmp_path))
    assert line.endswith(f"{tmp_path / name}: the ending must be .wav or .flac")
    assert not (tmp_path / name).exists()


def test_output_is_the_input_by_another_name(source: Path, tmp_path: Path, capsys: Capsys) -> None:
    before = source.read_bytes()
    link, hard = tmp_path / "link.wav", tmp_path / "hard.wav"
    link.symlink_to(source)
    hard.hardlink_to(source)
    for target in (source, tmp_path / "." / "in.wav", link, hard):
        line = refusal(capsys, "process", source, target, *documents(tmp_path))
        assert "is the input" in line
    assert source.read_bytes() == before


def test_output_folder_is_missing(source: Path, tmp_path: Path, capsys: Capsys) -> None:
    target = tmp_path / "no" / "out.wav"
    line = refusal(capsys, "process", source, target, *documents(tmp_path))
    assert f"there is no folder {tmp_path / 'no'}" in line


def test_output_is_a_folder(source: Path, tmp_path: Path, capsys: Capsys) -> None:
    target = tmp_path / "folder.wav"
    target.mkdir()
    line = refusal(capsys, "process", source, target, *documents(tmp_path))
    assert "is a folder" in line


def test_unwritable_folder(source: Path, tmp_path: Path, capsys: Capsys) -> None:
    folder = Path("/proc/self") if sys.platform == "linux" else tmp_path / "locked"
    if folder.parent == tmp_path:
        folder.mkdir(mode=0o500)
    line = refusal(capsys, "process", source, folder / "out.wav", *documents(tmp_path))
    assert f"cannot write in {folder}" in line


def test_only_one_file(source: Path, capsys: Capsys) -> None:
    assert "1 file given; it takes IN and OUT" in refusal(capsys, "process", source)


# The first of the two runs may write compiled code, which the limit must not hit.
LIMIT_FILE_SIZE = """
import os, resource, sys
from carrierfloor.cli.main import main
assert main(sys.argv[1:]) == 0
os.unlink(sys.argv[3])
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no file size limits there")
@pytest.mark.parametrize("target", ["out.wav", "out.flac"])
def test_the_system_takes_no_more(target: str, tmp_path: Path) -> None:
    """A limit on the size of files stops the writing as a full disk does, and needs no root."""
    noise = np.random.default_rng(10).uniform(-0.5, 0.5, 200_000)
    source = write_sound(tmp_path / "in.wav", noise)
    arguments = ["process", source, tmp_path / target, *documents(tmp_path)]
    done = subprocess.run(
        [sys.executable, "-c", LIMIT_FILE_SIZE, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
    )
    line = f"carrierfloor process: {tmp_path / target}: cannot be written: File too large\n"
    assert done.stderr.endswith(line)
    assert done.returncode == 2
    assert not (tmp_path / target).exists()


def test_an_earlier_output_survives_a_failure(source: Path, tmp_path: Path, capsys: Capsys) -> None:
    target = tmp_path / "out.wav"
    assert run("process", source, target, *documents(tmp_path)) == 0
    before = target.read_bytes()
    source.write_bytes(b"RIFF, or not")
    refusal(capsys, "process", source, target, *documents(tmp_path))
    assert target.read_bytes() == before


def test_a_bug_shows_its_traceback(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only what a user can put right is told in one line."""

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("carrierfloor.cli.report.build", broken)
    with pytest.raises(ZeroDivisionError):
        run("process", source, tmp_path / "out.wav", *documents(tmp_path))


def test_exit_status_and_line_of_another_process(tmp_path: Path) -> None:
    done = in_other_process("process", tmp_path / "no.wav", tmp_path / "out.wav")
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.splitlines()[-1].startswith("carrierfloor process: ")
    assert "Traceback" not in done.stderr


def test_the_path_rig_of_these_tests_is_right(tmp_path: Path) -> None:
    """Otherwise the refusals above might be about the wrong thing."""
    try:
        documents(tmp_path, PATH_RIG)
        assert run("rigs", "validate", tmp_path / "rig.toml") == 0
        assert run("voices", "validate", tmp_path / "nothing.toml") == 0
    except SettingError as error:
        pytest.fail(str(error))
    assert sf.available_formats()
