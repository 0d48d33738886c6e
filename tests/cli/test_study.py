"""The command ``study``: its table against the library, what it refuses, what it says."""

import csv
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow.parquet
import pytest

from carrierfloor import presets
from carrierfloor.cli import study_cluster, study_files
from carrierfloor.cli.study_figures import Spread, figures_of
from carrierfloor.cli.study_grid import Choice, grid_of
from carrierfloor.cli.study_table import StudyTable
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.intelligibility_trial import try_setting
from tests import clips
from tests.cli.files import (
    command,
    refusal,
    run,
    write_sound,
    write_text,
)

Capsys = pytest.CaptureFixture[str]
SECONDS = slice(24_000, 72_000)  # one second, most of it speech
LOUD = ("F1_harvard_phrases", "M1_harvard_phrases")


@dataclass(frozen=True)
class Studied:
    """A finished study."""

    phrases: list[Path]
    table: Path
    plots: Path
    printed: str
    remarks: str
    options: list[object]

    @property
    def rows(self) -> list[dict[str, Any]]:
        return study_files.read(self.table)


def phrases_in(folder: Path) -> list[Path]:
    return [write_sound(folder / f"{name}.wav", clips.sound(name)[SECONDS]) for name in LOUD]


@pytest.fixture(scope="module")
def studied(tmp_path_factory: pytest.TempPathFactory) -> Studied:
    """Two phrases, a voice with two drives and one without a drive stage."""
    folder = tmp_path_factory.mktemp("study")
    phrases, table, plots = phrases_in(folder), folder / "t.csv", folder / "plots"
    options: list[object] = ["--voices", "everyday,bypass", "--drives", "6,12"]
    done = subprocess.run(
        command(
            "study", *phrases, *options, "--carrier-to-noise", "0,10", "--out", table,
            "--plots", plots, "--jobs", 1,
        ),
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return Studied(phrases, table, plots, done.stdout, done.stderr, options)


def test_the_rows_are_the_grid(studied: Studied) -> None:
    assert [
        (row["voice"], row["drive_db"], Path(row["phrase"]).stem, row["carrier_to_noise_db"])
        for row in studied.rows
    ] == [
        (voice, drive_db, phrase, ratio_db)
        for voice, drive_db in (
            ("unprocessed", None), ("everyday", 6.0), ("everyday", 12.0), ("bypass", None),
        )
        for phrase in LOUD
        for ratio_db in (0.0, 10.0)
    ]  # fmt: skip
    assert studied.remarks.count("bypass has no drive stage; it is tried once.") == 1
    assert "16 of 16 rows" in studied.printed


def test_a_row_holds_what_the_library_finds(studied: Studied) -> None:
    """The same trial in this process, within the digits that the table keeps."""
    voice, rig = presets.voice("everyday").with_drive(12.0), presets.rig()
    speech = clips.sound(LOUD[1])[SECONDS].astype("float32").astype("float64")
    trial = try_setting(speech, voice, rig, [10.0])
    bare = try_setting(speech, None, rig, [])
    row = next(
        row
        for row in studied.rows
        if row["drive_db"] == 12.0
        and row["carrier_to_noise_db"] == 10.0
        and row["phrase"] == str(studied.phrases[1])
    )
    assert row["intelligibility"] == pytest.approx(trial.scores[10.0], abs=1e-5)
    assert row["score_without_noise"] == pytest.approx(trial.score_without_noise, abs=1e-5)
    gain_db = bare.cn_needed_db[0.5] - trial.cn_needed_db[0.5]
    assert row["power_gain_at_50_db"] == pytest.approx(gain_db, abs=0.002)
    assert row["density_pct"] == pytest.approx(100.0 * trial.density, abs=1e-3)
    assert row["negative_peak_pct"] == pytest.approx(95.0, abs=0.1)
    assert row["emission_dbc"] == pytest.approx(trial.emission_dbc, abs=1e-3)
    assert row["clipper_removed_db"] == pytest.approx(trial.clipper_removed_db, abs=1e-3)
    assert row["cutoffs"] == 0


def test_more_drive_is_denser_and_understood_better(studied: Studied) -> None:
    """As all published work on clipping found; what gains count from gains nothing."""
    for phrase in studied.phrases:
        found = {
            (row["voice"], row["drive_db"]): row
            for row in studied.rows
            if row["phrase"] == str(phrase) and row["carrier_to_noise_db"] == 0.0
        }
        for column in ("density_pct", "intelligibility", "power_gain_at_50_db"):
            assert found["everyday", 12.0][column] > found["everyday", 6.0][column]
        assert found["unprocessed", None]["power_gain_at_50_db"] == 0.0
        assert found["everyday", 12.0]["power_gain_at_50_db"] > 3.0


def test_the_summary_and_the_pictures(studied: Studied) -> None:
    lines = studied.printed.splitlines()
    (line,) = [line for line in lines if line.startswith("everyday 12 dB") and "+" in line]
    gains = [r["power_gain_at_50_db"] for r in studied.rows if r["drive_db"] == 12.0]
    assert f"{sum(gains) / len(gains):+.1f} {min(gains):+.1f} " in line
    for name in ("intelligibility", "gain", "price"):
        assert (studied.plots / f"{name}.png").read_bytes().startswith(b"\x89PNG")


def test_a_score_that_is_not_reached(studied: Studied) -> None:
    """By hand: one phrase never gets to 0.7 with a drive; the other has no gain to tell there.

    A phrase that is not understood so well unprocessed counts for no setting.
    """
    first, second = map(str, studied.phrases)
    rows = [row for row in studied.rows if row["voice"] != "bypass"]
    for row in rows:
        if (row["phrase"], row["drive_db"]) == (first, 12.0):
            row["needed_at_70_db"] = row["power_gain_at_70_db"] = None
    unprocessed, low, high = (one.gains["power_gain_at_70_db"] for one in figures_of(rows))
    kept = next(r for r in rows if (r["phrase"], r["drive_db"]) == (second, 12.0))
    assert (unprocessed.never, low.never, high.never) == (0, 0, 1)
    assert high.spread == Spread(*[kept["power_gain_at_70_db"]] * 2)
    for row in rows:
        if row["phrase"] == first:
            row["power_gain_at_70_db"] = None
            if row["voice"] == "unprocessed":
                row["needed_at_70_db"] = None
    assert [one.gains["power_gain_at_70_db"].never for one in figures_of(rows)] == [0, 0, 0]


def test_another_ratio_computes_only_what_is_new(
    studied: Studied, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A changed measurement that is still there afterwards was not made again."""
    phrase, table = studied.phrases[0], tmp_path / "t.parquet"
    rows = [
        row
        for row in studied.rows
        if row["phrase"] == str(phrase) and row["drive_db"] in (None, 6.0)
        if row["voice"] != "bypass"
    ]
    rows[3]["intelligibility"] = 0.12345
    study_files.write(rows, table)
    arguments = [phrase, phrase, "--drives", "6", "--out", table, "--jobs", 1]
    assert run("study", *arguments, "--carrier-to-noise", "0,10,20,10") == 0
    remarks = capfd.readouterr().err
    assert "2 cells hold what others hold; those are tried once." in remarks
    assert f"4 of 6 rows are in {table}; now the rest." in remarks
    found = pyarrow.parquet.read_table(table).to_pylist()
    assert [row for row in found if row["carrier_to_noise_db"] != 20.0] == rows
    assert len(found) == 6


def test_rows_of_another_grid_are_refused_and_kept(
    studied: Studied, tmp_path: Path, capsys: Capsys
) -> None:
    table = tmp_path / "t.csv"
    table.write_bytes(studied.table.read_bytes())
    other = write_sound(tmp_path / "other.wav", 0.5 * clips.sound(LOUD[0])[SECONDS])
    for phrase, ratios in ((other, "0,10"), (studied.phrases[0], "0")):
        line = refusal(
            capsys, "study", phrase, *studied.options[:2], "--out", table,
            "--carrier-to-noise", ratios, "--voices", "everyday",
        )  # fmt: skip
        assert "of its 16 rows belong to another grid" in line
    assert table.read_bytes() == studied.table.read_bytes()


def test_two_runs_into_one_table_keep_each_others_rows(studied: Studied, tmp_path: Path) -> None:
    """Both began before there was a table; each has found one half of the rows."""
    choice = Choice(phrases=tuple(studied.phrases), voices=("everyday",), ratios_db=(0.0, 10.0))
    cells, table = grid_of(choice), tmp_path / "t.csv"
    keys = {cell.key for cell in cells}
    rows = [row for row in studied.rows if row["key"] in keys]
    assert len(rows) == 4  # of the phrases, unprocessed
    one, other = StudyTable(cells, table), StudyTable(cells, table)
    for run_, found in ((one, rows[:1]), (other, rows[1:3]), (one, rows[3:])):
        run_.add(found)
        run_.save()
    assert [row["key"] for row in study_files.read(table)] == [row["key"] for row in rows]
    assert len(other.missing()) == len(cells) - 1


def test_a_table_that_has_become_another_is_not_overwritten(
    studied: Studied, tmp_path: Path
) -> None:
    choice = Choice(phrases=(studied.phrases[0],), voices=("bypass",), ratios_db=(0.0,))
    table = tmp_path / "t.csv"
    begun = StudyTable(grid_of(choice), table)
    table.write_bytes(studied.table.read_bytes())
    with pytest.raises(SettingError, match="belong to another grid"):
        begun.save()
    assert table.read_bytes() == studied.table.read_bytes()


def test_bad_input(
    studied: Studied, tmp_path: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    phrase = studied.phrases[0]
    silence = write_sound(tmp_path / "silence.wav", 0.0 * clips.sound(LOUD[0])[SECONDS])
    short = write_sound(tmp_path / "short.wav", clips.sound(LOUD[0])[:9_600])
    strange = write_text(tmp_path / "strange.csv", "a,b\n1,2\n")
    broken = write_text(
        tmp_path / "broken.csv", studied.table.read_text().replace("everyday,6.0", "everyday,x")
    )
    empty = write_text(tmp_path / "empty.parquet", "")
    monkeypatch.setattr(study_cluster, "ANSWER_S", 0.3)  # nobody listens on port 9
    out = tmp_path / "t.csv"
    for arguments, words in (
        ([phrase, "--out", tmp_path / "t.txt"], "the ending must be .csv or .parquet"),
        ([phrase, "--out", tmp_path / "no" / "t.csv"], "there is no folder"),
        ([phrase, "--out", strange], "no table of study (its columns are others)"),
        ([phrase, "--out", broken], "drive_db is 'x'"),
        ([phrase, "--out", empty], "is no table of study"),
        ([tmp_path / "missing.wav", "--out", out], "No such file"),
        ([silence, "--out", out], "too little speech to score; it takes 0.4 s"),
        ([short, "--out", out], f"{short}: there is too little speech"),
        ([phrase, "--out", out, "--voices", "evryday"], "voice 'evryday' is not known"),
        ([phrase, "--out", out, "--rigs", "a,,b"], "has an empty place"),
        ([phrase, "--out", out, "--drives", "6,loud"], "is no list of numbers"),
        ([phrase, "--out", out, "--drives", "6,99"], "drive_db is 99"),
        ([phrase, "--out", out, "--drives", "nan"], "is no drive in dB"),
        ([phrase, "--out", out, "--carrier-to-noise", "200"], "--carrier-to-noise is 200 dB"),
        ([phrase, "--out", out, "--carrier-to-noise", "nan"], "--carrier-to-noise is nan dB"),
        ([phrase, "--out", out, "--jobs", 0], "--jobs is 0; it must be 1 or more"),
        ([phrase, "--out", out, "--jobs", 2, "--cluster", "x:1"], "--jobs is for this machine"),
        ([phrase, "--out", out, "--plots", phrase], f"{phrase} is a file; give a folder"),
        ([phrase, "--out", out, "--plots", phrase / "new"], f"{phrase} is a file; give a folder"),
        ([tmp_path / "missing.wav", "--out", out, "--plots", tmp_path / "new"], "No such file"),
        ([phrase, "--out", out, "--voices", '"a, b.toml",dense'], "a, b.toml: No such file"),
        ([phrase, "--out", out, "--voices", '"a, b.toml'], "a double quote has no partner"),
        ([phrase, "--out", out, "--cluster", "127.0.0.1:9"], "no scheduler answers there"),
        ([phrase, "--out", out, "--cluster", "nowhere"], "no scheduler answers there"),
    ):
        assert words in refusal(capsys, "study", *arguments)
    assert not out.exists()
    assert not (tmp_path / "new").exists()
    assert strange.read_text() == "a,b\n1,2\n"


@pytest.mark.parametrize(
    ("name", "remedy", "options"),
    [
        ("pyarrow", "pyarrow", ["--out", "t.parquet"]),
        (
            "distributed",
            '"dask[distributed]"',
            ["--out", "t.csv", "--cluster", "127.0.0.1:9"],
        ),
    ],
)
def test_a_package_that_is_not_installed(
    studied: Studied, tmp_path: Path, name: str, remedy: str, options: list[str]
) -> None:
    """Python's own way to make an import fail: an entry that is None.

    In a process of its own: what earlier tests left to be collected may import it too.
    """
    code = (
        f"import sys; sys.modules[{name!r}] = None; "
        "from carrierfloor.cli.main import main; sys.exit(main(sys.argv[1:]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "study", str(studied.phrases[0]), *options],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert f"pip install {remedy}" in done.stderr
    assert not list(tmp_path.iterdir())


def test_the_columns_are_explained(studied: Studied, capsys: Capsys) -> None:
    assert run("study", "--table-keys") == 0
    listed = capsys.readouterr().out
    with studied.table.open(newline="") as file:
        for name in next(csv.reader(file)):
            assert name in listed
