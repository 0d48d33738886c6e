"""``measure`` from files: simulated transmitters that share no code with carrierfloor.

tests/reference/transmitter.py and capture.py make what comes back: analogue filters in the
frequency domain, mild distortion, a detector, another clock, hum and noise.
"""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.cli import documents
from carrierfloor.cli.measure import (
    MeasureOptions,
    depth_of,
    finish,
    read_reference,
    read_sections,
    read_sweep,
)
from carrierfloor.cli.measure_notes import notes
from carrierfloor.cli.measuring import Measured, Setting, new_margins
from carrierfloor.dsp.path_fit import fit_path
from carrierfloor.dsp.sweep_response import HumLine, measure_response
from tests.cli.files import PATH_RIG, run, write_text
from tests.cli.measured_path import (
    FULL,
    HEARD,
    MINE,
    PLAIN,
    REAL,
    Done,
    fill,
    named,
    path_of,
    run_all,
    run_measure,
)
from tests.clips import SPOKEN
from tests.reference.transmitter import RATE_HZ, Filter, Transmitter, butterworth

Capsys = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: Any) -> Path:
    return fill(tmp_path_factory.mktemp("captures"))


@pytest.fixture(scope="module")
def real(folder: Path, tmp_path_factory: Any) -> Done:
    return run_all(folder, tmp_path_factory.mktemp("real"))


@pytest.fixture(scope="module")
def found(folder: Path) -> tuple[Measured, Setting]:
    return path_of(folder)


def test_the_sections_come_back(folder: Path, tmp_path: Path, capsys: Capsys) -> None:
    """Corners within 1 % of the transmitter's.

    The detector is on the right, a talker on the left; a dry run.
    """
    done = run_measure(folder, "plain.wav", tmp_path, "--channel", "right", "--dry-run")
    path = done.report["paths"]["path_1"]
    sections = {section["kind"]: section for section in path["sections"]}
    assert sections["highpass"]["corner_hz"] == pytest.approx(55.0, rel=0.01)
    assert sections["lowpass"]["corner_hz"] == pytest.approx(6200.0, rel=0.01)
    assert path["channel"] == "right"
    assert path["delay_ms"] == pytest.approx(400.0, abs=0.2)
    assert path["clock_ppm"] == pytest.approx(30.0, abs=2.0)
    # White noise: 10 of 24 kHz of it are in the sweep's band.
    assert path["signal_to_noise_db"] == pytest.approx(50.0 + 3.8, abs=2.5)
    assert done.report["sweep"]["depth_pct"] == pytest.approx(50.0, abs=0.1)
    assert done.rig.read_text() == MINE
    assert (done.report["rig"]["written"], done.report["rig"]["backup"]) == (False, None)
    assert done.report["rig"]["changes"]
    out = capsys.readouterr().out
    assert "The path is known to" in out
    assert f"{done.rig} is not changed (--dry-run)" in out
    assert "Would be" in out


def test_the_rig_file_is_updated_and_kept(real: Done) -> None:
    text = real.rig.read_text()
    assert '\n# the iron\n[[paths]]\nname = "transformer"  # measured ' in text
    assert '[notes]\ntubes = "two"\n' in text
    backup = Path(real.report["rig"]["backup"])
    assert backup == real.rig.with_name("rig.backup-1.toml")
    assert backup.read_text() == MINE
    now = documents.rig(str(real.rig))
    fitted = real.report["paths"]["path_1"]["sections"]
    assert [section.kind for section in now.paths[0].sections] == [row["kind"] for row in fitted]
    for section, row in zip(now.paths[0].sections, fitted, strict=True):
        for key in row.keys() - {"kind", "uncertainty"}:
            assert getattr(section, key) == row[key]
    assert now.modulation.negative_margin_pct == real.report["rig"]["negative_margin_pct"] > 0.0
    assert now.level.polarity == real.report["rig"]["polarity"] == "inverted"
    change = real.report["rig"]["changes"][0]
    assert (change["what"], change["old"]) == ("path transformer", "highpass 40 Hz q 0.7")
    assert any("polarity in the rig file was wrong" in note for note in real.report["notes"])


def test_after_that_the_carrier_stays_up(real: Done, tmp_path: Path) -> None:
    """A voice through the whole command line, judged at the true envelope: limit + 1 %, no cut-off.

    The same voice with the rig file as it was cuts the carrier off: the measurement did it.
    """
    verdicts = []
    for rig in (real.rig.with_name("rig.backup-1.toml"), real.rig):
        target = tmp_path / "on-air.wav"
        voice = SPOKEN["evening_round_male"]
        assert run("process", voice, target, "--rig", rig, "--no-compare") == 0
        verdicts.append(REAL.judge(sf.read(target)[0]))
    assert verdicts[0].cutoffs > 10
    assert verdicts[1].trough <= 0.96
    assert verdicts[1].cutoffs == 0


def test_distortion_and_hum_are_those_of_the_transmitter(real: Done) -> None:
    """y = x + 2 a x^2 + 4 b x^3 at depth d has 2nd harmonic a d and 3rd b d^2 (closed form)."""
    path = real.report["paths"]["path_1"]
    assert path["distortion"]["at_1000_hz"]["second_pct"] == pytest.approx(1.0, rel=0.1)
    assert path["distortion"]["at_1000_hz"]["third_pct"] == pytest.approx(0.25, rel=0.2)
    assert path["distortion"]["at_3000_hz"]["third_pct"] is not None
    hum_db = path["hum"]["120.0_hz"]
    assert hum_db == pytest.approx(20 * np.log10(0.005 / 0.5), abs=1.0)


def test_the_same_again_needs_no_change(
    found: tuple[Measured, Setting], tmp_path: Path, capsys: Capsys
) -> None:
    rig = write_text(tmp_path / "rig.toml", MINE)
    texts = []
    for _ in range(2):
        finish(MeasureOptions(rig=str(rig)), [found[0]], found[1])
        texts.append(rig.read_text())
    assert texts[0] == texts[1] != MINE
    assert len(list(tmp_path.glob("rig.backup-*"))) == 1
    assert "has it all already" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("sense", "polarity", "note"),
    [("normal", "inverted", "was wrong"), ("inverted", "normal", ""), (None, "normal", "upside")],
)
def test_polarity_needs_the_detectors(
    sense: str | None,
    polarity: str,
    note: str,
    found: tuple[Measured, Setting],
    tmp_path: Path,
) -> None:
    """The capture is inverted: the transmitter is, or the detector; only the user can tell."""
    rig = write_text(tmp_path / "rig.toml", MINE)
    before = documents.rig(str(rig))
    path, setting = found[0], replace(found[1], detector_polarity=sense)
    assert path.fit.polarity == "inverted"
    finish(MeasureOptions(rig=str(rig)), [path], setting)
    assert documents.rig(str(rig)).level.polarity == polarity
    told = [one for one in notes([path], setting, before) if "polarity" in one]
    assert [note in one for one in told] == ([True] if note else [])


def test_polarity_is_against_the_samples_of_the_sweep(folder: Path) -> None:
    """A rig of inverted polarity gets the sweep upside down; what it sends is then upright."""
    sweep = read_sweep(folder / "sweep.wav")
    upside_down = replace(sweep, peak=-sweep.peak)
    card = upside_down.played.at(0, sweep.sweep.samples)
    capture = HEARD.record(replace(PLAIN, full_modulation=-FULL), card)
    fit = fit_path(measure_response(capture, RATE_HZ, upside_down), "any")
    assert fit.polarity == "inverted"


def test_several_captures_are_several_paths(
    found: tuple[Measured, Setting], tmp_path: Path, capsys: Capsys
) -> None:
    """Each in the file, the largest margin of all, what was not measured is left and named."""
    rig = write_text(tmp_path / "rig.toml", MINE)
    paths = [
        named(found[0], "80 m", 1.2, 3.4),
        named(found[0], "40/20 m", 2.1, 0.3),
    ]
    report = tmp_path / "report.json"
    options = MeasureOptions(rig=str(rig), pictures=tmp_path, report=report)
    finish(options, paths, found[1])
    now = documents.rig(str(rig))
    assert [path.name for path in now.paths] == ["transformer", "80 m", "40/20 m"]
    assert now.modulation.negative_margin_pct == 2.1
    assert now.modulation.positive_margin_pct == 3.4
    told = json.loads(report.read_text())
    assert any("left as it is: transformer" in note for note in told["notes"])
    assert [Path(name).name for name in told["pictures"]] == [
        f"{what}-{name}.png"
        for name in ("80-m", "40-20-m")
        for what in ("response", "distortion", "regrowth")
    ]
    out = capsys.readouterr().out
    assert "80 m: the path is known" in out
    assert "40/20 m: the path is known" in out


def test_a_margin_of_another_day_does_not_shrink(
    found: tuple[Measured, Setting], tmp_path: Path
) -> None:
    """It may be that of a path which was not measured now."""
    old = MINE.replace("[level]", "[modulation]\nnegative_margin_pct = 9.0\n[level]")
    alone = documents.rig(str(write_text(tmp_path / "alone.toml", old)))
    other = old + '[[paths]]\nname = "other"\n'
    two = documents.rig(str(write_text(tmp_path / "two.toml", other)))
    path = named(found[0], "transformer", 1.2, 0.4)
    assert new_margins(alone, [path])["negative_margin_pct"] == 1.2
    margins = new_margins(two, [path])
    assert margins == {"negative_margin_pct": 9.0, "positive_margin_pct": 0.4}


def test_no_sweep_is_deeper_than_100_pct(folder: Path, tmp_path: Path) -> None:
    """-12 dBFS where the file says that -18 dBFS make 100 %."""
    file = write_text(tmp_path / "rig.toml", PATH_RIG.replace("-6.0", "-18.0"))
    sweep, rig = read_sweep(folder / "sweep.wav"), documents.rig(str(file))
    assert depth_of(MeasureOptions(rig=""), sweep, rig) == 1.0
    assert depth_of(MeasureOptions(rig="", depth=40.0), sweep, rig) == 0.4


@pytest.mark.parametrize("how", ["sections", "capture"])
def test_the_detectors_own_response(how: str, folder: Path, tmp_path: Path) -> None:
    """A detector of one pole at 4 kHz, as sections and as a capture of the sweep through it."""
    pole = butterworth(1, 4000.0, "lowpass")
    if how == "sections":
        toml = 'name = "diode"\n[[sections]]\nkind = "lowpass"\ncorner_hz = 4000.0\n'
        detector = read_sections(write_text(tmp_path / "detector.toml", toml))
    else:
        flat = Transmitter(blocks=(Filter((1.0,), (1.0,)),), full_modulation=FULL)
        alone = replace(HEARD, detector=(pole,), noise_db=70.0)
        capture = alone.record(flat, sf.read(folder / "sweep.wav")[0])
        sf.write(tmp_path / "alone.wav", capture, RATE_HZ, "PCM_16")
        options = MeasureOptions(rig="", detector_capture=tmp_path / "alone.wav")
        detector = read_reference(options, read_sweep(folder / "sweep.wav"))
    assert detector is not None
    grid_hz = np.geomspace(50.0, 8000.0, 60)
    one_khz = abs(complex(pole.response(np.array([1000.0]))[0]))
    expected = np.abs(pole.response(grid_hz)) / one_khz
    np.testing.assert_allclose(np.abs(detector.at(grid_hz)), expected, rtol=0.003)


def test_notes_for_what_is_wrong(found: tuple[Measured, Setting], tmp_path: Path) -> None:
    before = documents.rig(str(write_text(tmp_path / "rig.toml", MINE)))
    path, setting = found
    other = replace(path, fit=replace(path.fit, polarity="normal"))
    told = " ".join(notes([path, named(other, "b")], setting, before))
    assert "different polarities" in told
    poor = replace(path, fit=replace(path.fit, worst_error=0.05, worst_error_hz=2000.0))
    noisy = replace(poor, response=replace(path.response, signal_to_noise_db=24.0))
    told = " ".join(notes([noisy], replace(setting, depth=0.8), before))
    assert "by 5.0 % at 2000 Hz" in told
    assert "noisy (24 dB)" in told
    assert "modulated 80 %" in told
    told = " ".join(notes([noisy], replace(setting, depth=1.0), before))
    assert "that level is wrong" in told
    hums = replace(path.response, hum=(HumLine(frequency_hz=120.0, ratio=0.1),))
    told = " ".join(notes([replace(path, response=hums)], setting, before))
    assert "hum: 120 Hz, 20 dB below the sweep" in told
