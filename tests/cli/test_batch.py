"""Many files at once."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.cli.batch import plan
from carrierfloor.dsp.errors import SettingError
from tests.cli.files import documents, left_over, refusal, run, talk, write_sound, write_text

Capsys = pytest.CaptureFixture[str]


@pytest.fixture
def phrases(tmp_path: Path) -> Path:
    """A folder with sound files, one of them below, and what is none."""
    folder = tmp_path / "phrases"
    (folder / "more").mkdir(parents=True)
    write_sound(folder / "one.wav")
    write_sound(folder / "two.flac", subtype="PCM_16")
    write_sound(folder / "more" / "three [live].ogg", subtype="VORBIS")
    write_text(folder / "notes.txt", "no sound")
    write_sound(folder / ".hidden.wav")
    return folder


def test_a_folder(phrases: Path, tmp_path: Path, capsys: Capsys) -> None:
    into, report = tmp_path / "out", tmp_path / "r.json"
    options = [*documents(tmp_path), "--report", report, "--jobs", 2]
    assert run("process", phrases, "--into", into, *options) == 0
    made = {str(file.relative_to(into)) for file in into.rglob("*") if file.is_file()}
    assert made == {"one.wav", "two.flac", "more/three [live].wav"}
    for name in made:
        assert sf.info(into / name).frames == 48_000
    found = json.loads(report.read_text())
    assert len(found["files"]) == 3
    assert found["failures"] == []
    assert all(file["antenna"]["cutoffs"] == 0 for file in found["files"])
    out = capsys.readouterr().out
    assert "3 of 3 files processed" in out
    assert "three [live].ogg" in out


def test_one_bad_file_does_not_stop_the_rest(phrases: Path, tmp_path: Path, capsys: Capsys) -> None:
    bad = write_text(tmp_path / "bad.wav", "no sound either")
    missing, table = tmp_path / "missing.wav", tmp_path / "r.csv"
    into = tmp_path / "out"
    options = [*documents(tmp_path), "--report", table, "--jobs", 2]
    assert run("process", bad, phrases, missing, "--into", into, *options) == 2
    assert len([file for file in into.rglob("*") if file.is_file()]) == 3
    assert left_over(into) == []
    rows = list(csv.DictReader(table.read_text().splitlines()))
    errors = {row["input.file"]: row["error"] for row in rows if row["error"]}
    assert set(errors) == {str(bad), str(missing)}
    assert "not a sound file" in errors[str(bad)]
    out = capsys.readouterr().out
    assert f"{bad}: not a sound file" in out
    assert f"{missing}: No such file or directory" in out
    assert "3 of 5 files processed" in out


def test_parallel_processes_write_what_one_writes(phrases: Path, tmp_path: Path) -> None:
    options = documents(tmp_path)
    assert run("process", phrases, "--into", tmp_path / "out", *options, "--jobs", 2) == 0
    assert run("process", phrases / "two.flac", tmp_path / "two.flac", *options) == 0
    assert (tmp_path / "two.flac").read_bytes() == (tmp_path / "out" / "two.flac").read_bytes()


def test_pictures_of_many(phrases: Path, tmp_path: Path) -> None:
    pictures = tmp_path / "pictures"
    options = [*documents(tmp_path), "--pictures", pictures, "--no-compare"]
    assert run("process", phrases / "one.wav", "--into", tmp_path / "out", *options) == 0
    drawn = {str(file.relative_to(pictures)) for file in pictures.rglob("*.png")}
    assert "one/envelope.png" in drawn
    assert len(drawn) == 4


def test_a_file_in_place_of_the_folder_of_pictures(
    phrases: Path, tmp_path: Path, capsys: Capsys
) -> None:
    """It is refused before anything is done, by every command that draws."""
    one, out = phrases / "one.wav", tmp_path / "out.wav"
    for arguments in (["process", one, out], ["predict", one], ["check", one]):
        line = refusal(capsys, *arguments, "--pictures", one)
        assert line.endswith(f"--pictures {one}: {one} is a file; give a folder, there or new")
    assert not out.exists()


def test_plan_leaves_earlier_outputs_alone(phrases: Path) -> None:
    into = phrases / "processed"
    into.mkdir()
    write_sound(into / "one.wav")
    sources = [source for source, _ in plan([phrases], into)]
    assert into / "one.wav" not in sources
    assert len(sources) == 3


def test_plan_into_the_folder_above(phrases: Path) -> None:
    assert len(plan([phrases], phrases.parent)) == 3


def test_the_same_file_twice_is_processed_once(phrases: Path, tmp_path: Path) -> None:
    assert len(plan([phrases / "one.wav", phrases / "one.wav"], tmp_path / "out")) == 1


def test_two_inputs_for_one_output_are_refused(phrases: Path, tmp_path: Path) -> None:
    write_sound(phrases / "one.aiff", subtype="PCM_16")
    with pytest.raises(SettingError, match="would both become"):
        plan([phrases], tmp_path / "out")


def test_refusals(phrases: Path, tmp_path: Path, capsys: Capsys) -> None:
    options = documents(tmp_path)
    empty = tmp_path / "empty"
    empty.mkdir()
    for arguments, words in (
        ([empty, "--into", tmp_path / "out"], f"no sound files in {empty}"),
        ([phrases, "--into", phrases], "is the input"),
        ([phrases, "--into", phrases / "one.wav"], "Not a directory"),
        ([phrases, "--into", tmp_path / "out", "--jobs", 0], "0 is not 1 or more"),
        ([phrases, "--into", tmp_path / "out", "--rate", 1], "--rate is 1 Hz"),
        ([phrases, phrases], "is a folder; use --into"),
    ):
        assert words in refusal(capsys, "process", *arguments, *options)


def test_a_long_file_among_short_ones(tmp_path: Path) -> None:
    """More files than processes; the order of the report is that of the files."""
    folder = tmp_path / "in"
    folder.mkdir()
    for number in range(5):
        seconds = 8.0 if number == 0 else 0.2
        samples = talk(8000, seconds) + 1e-4 * np.ones(round(8000 * seconds))
        write_sound(folder / f"{number}.wav", samples, rate_hz=8000)
    report = tmp_path / "r.json"
    arguments = [folder, "--into", tmp_path / "out", *documents(tmp_path), "--report", report]
    assert run("process", *arguments, "--jobs", 2) == 0
    names = [Path(f["input"]["file"]).stem for f in json.loads(report.read_text())["files"]]
    assert names == ["0", "1", "2", "3", "4"]
