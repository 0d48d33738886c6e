"""The command ``figures``: what it says of whole, partial and impossible rigs."""

import csv
import io
import json
import re
import statistics
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from carrierfloor import presets
from carrierfloor.cli import documents, figures_notes, figures_report, figures_table
from carrierfloor.cli.figures_keys import KEYS
from carrierfloor.cli.figures_report import AS_SPOKEN_PCT, EVERYDAY_PCT, MeasuredDensity, Wanted
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.prediction import AntennaMeter
from tests import clips
from tests.cli.files import left_over, refusal, run, write_sound, write_text

Capsys = pytest.CaptureFixture[str]

CARRIER = "[carrier]\npower_w = 180.0\npep_limit_w = 1500.0\n"
PLATE = "[plate]\nsupply_v = 1250.0\ncurrent_a = 0.2\n"
MODULATOR = "[modulator]\nplate_to_plate_ohm = 10_000\ntransformer_inductance_h = 40\n"
WHOLE = CARRIER + PLATE + MODULATOR


def rig_file(folder: Path, text: str = WHOLE) -> Path:
    return write_text(folder / "rig.toml", f'name = "test rig"\n{text}')


def report(folder: Path, rig: Path | str, *options: object) -> dict[str, Any]:
    target = folder / "report.json"
    assert run("figures", "--rig", rig, "--report", target, *options) == 0
    found: dict[str, Any] = json.loads(target.read_text())
    return found


def table(text: str) -> dict[str, str]:
    """Return the rows of a printed table, label and the rest; of equal labels the last."""
    lines = [re.split(r"\s{2,}", line.strip(), maxsplit=1) for line in text.splitlines()]
    return {line[0]: line[1] for line in lines if len(line) == 2}


def test_a_whole_rig(tmp_path: Path, capsys: Capsys) -> None:
    """1250 V and 0.2 A are 6250 ohms and 250 W; (1 + 1.25)^2 x 180 W; 50 H is R / (2 pi 19.9)."""
    assert run("figures", "--rig", rig_file(tmp_path), "--corner", 19.894, "--density", 20) == 0
    out, err = capsys.readouterr()
    rows = table(out)
    assert rows["DC input"].split("  ")[0] == "250 W"
    assert rows["Efficiency, tank included"].startswith("72 %")
    assert rows["Modulating impedance, R"].startswith("6250 Ω")
    assert rows["sine of 100 %"].startswith("125 W")
    assert rows["sine of 95 %"].startswith("112.8 W")  # 0.95^2 x 125 W
    assert rows["instant of +125 %"].startswith("390.6 W")  # 1.25^2 x 250 W
    assert rows["instant of -95 %"].startswith("225.6 W")
    assert rows["Keep-alive, same floor"].startswith("62.5 V")
    assert rows["Inductance for 19.894 Hz"].startswith("50 H")
    assert rows["Corner of 40 H"].startswith("24.87 Hz")
    assert rows["impedance ratio"].startswith("1.6 : 1")
    assert rows["turns ratio"].startswith("1.26 : 1")
    assert "2500 V" in out
    assert "911.2 W" in out
    assert "7.2 W" in out  # 0.2^2 x 180 W
    assert "these voltages kill" in out
    assert "Warning" not in out
    assert "Note" not in out
    assert "What would tell" not in out
    assert err == ""


def test_formulas_are_named(tmp_path: Path, capsys: Capsys) -> None:
    assert run("figures", "--rig", rig_file(tmp_path)) == 0
    out = capsys.readouterr().out
    for formula in ("(1 + m+)² Pc, 47 CFR 97.3(b)(9)", "(1 - m-) Eb", "Eb / Ib", "√(1 + d²)"):
        assert formula in out
    for symbol in ("Carrier, Pc", "Supply, Eb", "Current, Ib", "impedance, R", "limit, m+"):
        assert symbol in out


def test_pep_over_the_limit_says_what_fits(tmp_path: Path, capsys: Capsys) -> None:
    """300 W at +125 %: 1518.75 W of 1500 W; sqrt(5) - 1 = 123.6 % or 1500 / 2.25^2 = 296.2 W."""
    over = WHOLE.replace("180.0", "300.0").replace("0.2\n", "0.32\n")
    assert run("figures", "--rig", rig_file(tmp_path, over)) == 0
    out = capsys.readouterr().out
    said = " ".join(out.split())
    assert "+125 % is 1519 W, over the limit of 1500 W" in said
    assert "a positive limit of +123.6 % fits, or a carrier of 296.2 W." in said
    assert "1875 W over; a 240 W carrier fits" in said  # +150 %, not the rig's own limit
    assert "1200 W" in out
    for fitting in (
        over.replace("300.0", "296.2"),
        f"{over}[modulation]\npositive_limit_pct = 123.6\n",
    ):
        assert report(tmp_path, rig_file(tmp_path, fitting))["warnings"] == []
    closer = f"{over}[modulation]\npositive_limit_pct = 123.7\n"
    assert len(report(tmp_path, rig_file(tmp_path, closer))["warnings"]) == 1


def test_a_carrier_over_the_limit_fits_no_crest(tmp_path: Path) -> None:
    text = CARRIER.replace("180.0", "2000.0")
    warnings = report(tmp_path, rig_file(tmp_path, text))["warnings"]
    assert len(warnings) == 1
    assert warnings[0].endswith("a carrier of 296.2 W fits; no positive limit does.")


@pytest.mark.parametrize(
    ("power_w", "group", "words"),
    [
        (300.0, "warnings", "An efficiency of 120 % cannot be"),
        (100.0, "notes", "An efficiency of 40 % is unusual for a class C final"),
        (220.0, "notes", "An efficiency of 88 % is unusual"),
        (250.0, "notes", "An efficiency of 100 % is unusual"),
        (180.0, "", ""),
    ],
)
def test_efficiency(power_w: float, group: str, words: str, tmp_path: Path) -> None:
    """Carrier over 250 W of input."""
    text = WHOLE.replace("180.0", str(power_w)).replace("1500.0", "9000.0")
    found = report(tmp_path, rig_file(tmp_path, text))
    assert len(found["warnings"]) == (group == "warnings")
    assert len(found["notes"]) == (group == "notes")
    if group:
        assert found[group][0].startswith(words)
        assert found[group][0].endswith(("current is wrong.", "supply_v and current_a again."))


def test_a_small_transformer_gets_a_note(tmp_path: Path) -> None:
    """2 pi 100 Hz x 20 H / 6250 ohms = 2.01; at 150 Hz it is 3.02; 29.84 H make 3."""
    rig = rig_file(tmp_path)
    note = report(tmp_path, rig, "--inductance", 20)["notes"][0]
    assert "is 2 times Eb / Ib" in note
    assert note.endswith("which is 29.8 H at least.")
    assert report(tmp_path, rig, "--inductance", 20, "--lowest", 150)["notes"] == []


@pytest.mark.parametrize(
    ("text", "sources", "absent"),
    [
        (PLATE, ["[carrier] power_w", "[carrier] pep_limit_w"], ["Pc", "Efficiency", "Sideband"]),
        (CARRIER, ["[plate] supply_v and current_a"], ["Supply", "Modulator", "Caution"]),
        (
            CARRIER + PLATE.replace("current_a = 0.2\n", ""),
            ["[plate] current_a"],
            ["Current, Ib", "DC input", "Modulating"],
        ),
        (
            CARRIER.replace("pep_limit_w = 1500.0\n", "") + PLATE,
            ["[carrier] pep_limit_w", "--inductance H or", "--plate-to-plate OHM or"],
            ["Largest carrier", "Highest m+", "turns ratio  ", "Corner of"],
        ),
        ("", ["[carrier] power_w", "[carrier] pep_limit_w", "[plate]"], ["Plate", "Modulator"]),
    ],
)
def test_partial_data(
    text: str, sources: list[str], absent: list[str], tmp_path: Path, capsys: Capsys
) -> None:
    """Each thing that is missing is named once; nothing that needs it is shown."""
    assert run("figures", "--rig", rig_file(tmp_path, text)) == 0
    out = capsys.readouterr().out
    shown, _, missing = out.partition("What would tell")
    for source in sources:
        assert source in missing
    for what in absent:
        assert what not in shown.replace("[modulation]", "")
    assert "Positive limit, m+" in shown
    assert "x 1.225" in shown  # antenna current of a full tone needs nothing


def test_what_was_missing_is_there_with_the_key(tmp_path: Path) -> None:
    rig = rig_file(tmp_path, CARRIER + PLATE)
    missing = report(tmp_path, rig)["missing"]
    assert list(missing) == [
        "corner of your transformer",
        "turns ratio",
        "sideband power of your voice",
    ]
    options = ("--inductance", 40, "--plate-to-plate", 10_000, "--density", 20)
    told = report(tmp_path, rig, *options)
    assert told["missing"] == {}
    by_file = report(tmp_path, rig_file(tmp_path), "--density", 20)
    assert by_file["transformer"] == told["transformer"]


def dotted(found: Mapping[str, Any], head: str = "") -> Iterator[str]:
    for key, value in found.items():
        if isinstance(value, Mapping) and value:
            yield from dotted(value, f"{head}{key}.")
        else:
            yield f"{head}{key}"


@pytest.mark.parametrize("text", [WHOLE, ""])
def test_every_key_is_documented_and_there(text: str, tmp_path: Path) -> None:
    """Whatever the rig holds; what is not known is null."""
    audio = write_sound(tmp_path / "a.wav")
    found = report(tmp_path, rig_file(tmp_path, text), "--audio", audio)
    shapes = {re.sub(r"at_[\d.]+_pct", "at_P_pct", key) for key in dotted(found)}
    shapes = {re.sub(r"antenna\.\w+\.", "antenna.KIND.", key) for key in shapes}
    shapes = {re.sub(r"missing.*", "missing.WHAT", key) for key in shapes}
    shapes = {re.sub(r"versions\..*", "versions", key) for key in shapes}
    assert shapes - {"missing.WHAT"} == set(KEYS) - {"antenna", "missing.WHAT"}
    assert (found["plate"]["keep_alive_v"] is None) == (not text)


def test_keys_are_listed(capsys: Capsys) -> None:
    assert run("figures", "--report-keys") == 0
    out = capsys.readouterr().out
    assert all(key in out for key in KEYS)


def test_csv_report(tmp_path: Path) -> None:
    target = tmp_path / "report.csv"
    assert run("figures", "--rig", rig_file(tmp_path), "--report", target) == 0
    with target.open() as file:
        row = next(csv.DictReader(file))
    assert float(row["power.pep_w.at_125_pct"]) == pytest.approx(911.25)
    assert row["audio"] == ""


def test_the_rigs_own_limit_is_among_the_peaks(tmp_path: Path, capsys: Capsys) -> None:
    """(1 + 1.125)^2 x 180 W = 812.8 W; limits of -85 +90 % let a sine of 85 % through."""
    rig = rig_file(tmp_path, f"{WHOLE}[modulation]\npositive_limit_pct = 112.5\n")
    assert run("figures", "--rig", rig) == 0
    rows = table(capsys.readouterr().out)
    assert rows["at +112.5 %, this rig"].startswith("2656 V")
    assert "this rig" not in rows["at +125 %"]
    assert report(tmp_path, rig)["power"]["pep_w"]["at_112.5_pct"] == pytest.approx(812.8, abs=0.1)
    limits = "[modulation]\npositive_limit_pct = 90.0\nnegative_limit_pct = 85.0\n"
    found = report(tmp_path, rig_file(tmp_path, WHOLE + limits))
    assert found["modulator"]["sine_pct"] == pytest.approx(85.0)
    assert found["modulator"]["sine_w"] == pytest.approx(0.85**2 * 125.0)
    assert found["plate"]["trough_v"] == pytest.approx(187.5)


def test_density_of_a_file(tmp_path: Path, capsys: Capsys) -> None:
    """A steady tone at half of full modulation: rms 35.4 %, an eighth of the carrier power."""
    t = np.arange(4 * 48_000) / 48_000
    tone = 0.5 * 10 ** (-6 / 20) * np.sin(2 * np.pi * 1000 * t)
    audio = write_sound(tmp_path / "tone.wav", tone)
    found = report(tmp_path, rig_file(tmp_path), "--audio", audio)
    measured = found["antenna"]["audio"]
    assert measured["density_pct"] == pytest.approx(50 / np.sqrt(2), rel=0.02)
    assert measured["sideband_w"] == pytest.approx(180.0 / 8, rel=0.04)
    assert measured["current_ratio"] == pytest.approx(np.sqrt(1.125), rel=0.005)
    assert set(found["antenna"]) == {"tone", "audio"}
    assert found["warnings"] == []
    assert "--audio, in speech" in capsys.readouterr().out


def test_the_density_is_the_one_that_predict_reports(tmp_path: Path) -> None:
    audio, rig = write_sound(tmp_path / "a.wav"), rig_file(tmp_path)
    found = report(tmp_path, rig, "--audio", audio)
    target = tmp_path / "predict.json"
    assert run("predict", audio, "--rig", rig, "--report", target) == 0
    antenna = json.loads(target.read_text())["antenna"]
    assert found["antenna"]["audio"]["density_pct"] == antenna["density_pct"]
    assert found["audio"]["cutoffs"] == antenna["cutoffs"]


def test_audio_that_cuts_the_carrier_off_or_is_silent(tmp_path: Path) -> None:
    t = np.arange(48_000) / 48_000
    loud = write_sound(tmp_path / "loud.wav", np.sin(2 * np.pi * 100 * t))  # 200 % at -6 dBFS
    found = report(tmp_path, rig_file(tmp_path), "--audio", loud)
    assert found["audio"]["cutoffs"] == pytest.approx(100, abs=1)
    assert "cuts the carrier off" in found["warnings"][0]
    silent = write_sound(tmp_path / "silent.wav", 0 * t)
    found = report(tmp_path, rig_file(tmp_path), "--audio", silent)
    assert found["antenna"]["audio"]["sideband_w"] == 0.0
    assert "There is no speech in" in found["notes"][0]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--density", 120), "--density is 120 %; it must be 0 to 109.0 %, the most that fits"),
        (("--density", "nan"), "--density is nan %"),
        (("--corner", 0), "--corner is 0 Hz; it must be 0.1 to 1000 Hz"),
        (("--inductance", -1), "--inductance is -1 H; it must be 0.001 to 100000 H"),
        (("--plate-to-plate", 1), "--plate-to-plate is 1 ohm; it must be 10 to 1000000 ohm"),
        (("--lowest", 900, "--highest", 800), "must lie above --lowest (900 Hz)"),
        (("--audio", "no.wav"), "no.wav: No such file or directory"),
        (("--report", "r.txt"), "--report r.txt: the ending must be .json or .csv"),
        (("--rig", "no-such"), "no-such"),
    ],
)
def test_refusals(options: tuple[object, ...], words: str, tmp_path: Path, capsys: Capsys) -> None:
    """sqrt(0.95 x 1.25) = 1.09."""
    line = refusal(capsys, "figures", "--rig", rig_file(tmp_path), *options)
    assert line.startswith("carrierfloor figures: ")
    assert words in line
    assert left_over(tmp_path) == []


def test_bad_modulator_in_the_rig_file(tmp_path: Path, capsys: Capsys) -> None:
    text = MODULATOR.replace("40", "0")
    line = refusal(capsys, "figures", "--rig", rig_file(tmp_path, text))
    assert "transformer_inductance_h is 0 H; it must be 0.001 to 100000 H" in line


def test_rigs_show_the_modulator(tmp_path: Path, capsys: Capsys) -> None:
    assert run("rigs", "show", rig_file(tmp_path)) == 0
    assert "plate_to_plate_ohm" in capsys.readouterr().out


@pytest.mark.parametrize("name", presets.names("rigs"))
def test_shipped_rigs_are_in_order(name: str, capsys: Capsys) -> None:
    assert run("figures", "--rig", name) == 0
    out = capsys.readouterr().out
    assert "Warning" not in out
    assert "Note" not in out


HUGE = """
[carrier]
power_w = 250_000.0
pep_limit_w = 999_999.0
[plate]
supply_v = 49_999.0
current_a = 12.34
[modulator]
plate_to_plate_ohm = 999_999
transformer_inductance_h = 1234.5
[modulation]
negative_limit_pct = 99.5
positive_limit_pct = 112.5
"""


@pytest.mark.parametrize("text", [WHOLE, WHOLE.replace("180.0", "300.0"), HUGE])
def test_no_row_wraps_at_80_columns(text: str, tmp_path: Path) -> None:
    """Every row of the table is one line that ends in its formula, uncut."""
    rig = documents.rig(str(rig_file(tmp_path, text)))
    measured = MeasuredDensity(
        file="a.wav", channel="mono", density_pct=27.3, activity_pct=80.0, cutoffs=1234
    )
    wanted = Wanted(corner_hz=33.33, lowest_hz=123.4)
    found = figures_report.build(rig, wanted, measured)
    found |= {"warnings": figures_notes.warnings(found), "notes": [], "missing": {}}
    wide, narrow = io.StringIO(), io.StringIO()
    for width, file in ((80, narrow), (200, wide)):
        figures_table.show(found, rig.name, Console(width=width, file=file))
    lines = [file.getvalue().partition("Caution")[0].splitlines() for file in (narrow, wide)]
    assert max(map(len, lines[0])) <= 80
    assert [" ".join(line.split()) for line in lines[0] if "──" not in line] == [
        " ".join(line.split()) for line in lines[1] if "──" not in line
    ]


def test_no_formula_is_cut_at_60_columns(tmp_path: Path) -> None:
    rig = documents.rig(str(rig_file(tmp_path, WHOLE)))
    found = figures_report.build(rig, Wanted(), None) | {"notes": [], "missing": {}}
    file = io.StringIO()
    figures_table.show(found | {"warnings": []}, rig.name, Console(width=60, file=file))
    assert "…" not in file.getvalue()


def test_nothing_slow_is_loaded() -> None:
    """Without a sound file there is nothing to compile and nothing to plot."""
    script = (
        "import sys; from carrierfloor.cli.main import main; main(['figures'])\n"
        "slow = {'numba', 'soundfile', 'matplotlib', 'scipy.signal', 'carrierfloor.dsp.chain'}\n"
        "sys.exit(' '.join(slow & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def density_pct(card: clips.Array) -> tuple[float, float]:
    """Return density and deepest trough at the antenna of the default rig, in percent."""
    meter = AntennaMeter(presets.rig())
    meter.feed(card)
    reading = meter.finish()
    return 100 * reading.speech.active_rms, 100 * reading.modulation.negative_peak


def test_typical_densities_are_those_of_the_recordings() -> None:
    """Medians of all recordings of people and of voices, as they are and processed."""
    chain = Chain(presets.voice(), presets.rig())
    as_spoken, everyday = [], []
    for name in clips.SPOKEN:
        density, trough = density_pct(clips.sound(name))
        as_spoken.append(100 * density / trough)
        chain.reset()
        everyday.append(density_pct(clips.run(chain, clips.sound(name)))[0])
    assert statistics.median(as_spoken) == pytest.approx(AS_SPOKEN_PCT, abs=1.0)
    assert statistics.median(everyday) == pytest.approx(EVERYDAY_PCT, abs=1.0)
