"""One file through ``process``: length, time, level, formats, and the report."""

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.cli.report_file import flatten
from carrierfloor.cli.report_keys import KEYS
from tests.cli.files import FULL, PATH_RIG, documents, run, talk, write_sound

RATES_HZ = [8000, 16_000, 44_100, 48_000, 96_000, 192_000]


def processed(folder: Path, source: Path, *options: object, target: str = "out.wav") -> Any:
    """Run ``process`` with a voice that changes nothing; return the report."""
    report = folder / "report.json"
    arguments = [source, folder / target, *documents(folder), "--report", report, *options]
    assert run("process", *arguments) == 0
    return json.loads(report.read_text())


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_output_is_in_step_with_the_input(rate_hz: int, tmp_path: Path) -> None:
    """A quiet signal passes a voice without stages unchanged, so the truth is known."""
    source = write_sound(tmp_path / "in.wav", rate_hz=rate_hz)
    processed(tmp_path, source, "--subtype", "DOUBLE")
    got, got_hz = sf.read(tmp_path / "out.wav")
    assert got_hz == rate_hz
    assert len(got) == rate_hz
    tolerance = 0.02 if rate_hz < 24_000 else 1e-3  # low rates: the output filter's phase
    np.testing.assert_allclose(got, FULL * talk(rate_hz), atol=tolerance)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_another_rate(rate_hz: int, tmp_path: Path) -> None:
    source = write_sound(tmp_path / "in.wav", rate_hz=44_100)
    report = processed(tmp_path, source, "--rate", rate_hz, "--subtype", "DOUBLE")
    got, got_hz = sf.read(tmp_path / "out.wav")
    assert (got_hz, len(got)) == (rate_hz, rate_hz)
    tolerance = 0.02 if rate_hz < 24_000 else 1e-3
    np.testing.assert_allclose(got, FULL * talk(rate_hz), atol=tolerance)
    narrow = rate_hz <= 16_000  # without a low-pass of its own a voice gets one at 6 kHz
    assert report["chain"]["low_pass_narrowed"] == narrow
    assert ("narrowed" in "".join(report["notes"])) == narrow


@pytest.mark.parametrize(
    ("target", "subtype", "container"),
    [
        ("out.wav", "PCM_U8", "WAV"),
        ("out.wav", "PCM_16", "WAV"),
        ("out.wav", "PCM_24", "WAV"),
        ("out.wav", "PCM_32", "WAV"),
        ("out.wav", "float", "WAV"),
        ("out.WAV", "DOUBLE", "WAV"),
        ("out.flac", "PCM_S8", "FLAC"),
        ("out.flac", "PCM_16", "FLAC"),
        ("out.FLAC", "pcm_24", "FLAC"),
    ],
)
def test_sample_types(target: str, subtype: str, container: str, tmp_path: Path) -> None:
    """The samples differ from those of the most exact type by no more than stated."""
    source = write_sound(tmp_path / "in.wav")
    processed(tmp_path, source, "--subtype", "DOUBLE", target="exact.wav")
    report = processed(tmp_path, source, "--subtype", subtype, target=target)
    exact, _ = sf.read(tmp_path / "exact.wav")
    got, _ = sf.read(tmp_path / target)
    step = {"8": 2.0**-7, "6": 2.0**-15, "4": 2.0**-23, "2": 2.0**-31}.get(subtype[-1], 2.0**-24)
    assert 0 < np.abs(got - exact).max() <= 1.5 * step or subtype == "DOUBLE"
    info = sf.info(tmp_path / target)
    assert (info.format, info.subtype) == (container, subtype.upper())
    assert report["output"]["dither"] == ("triangular" if subtype[-1] in "86" else "none")


@pytest.mark.parametrize(
    ("source", "subtype", "target", "kept"),
    [
        ("in.wav", "PCM_16", "out.flac", "PCM_16"),
        ("in.wav", "FLOAT", "out.wav", "FLOAT"),
        ("in.wav", "FLOAT", "out.flac", "PCM_24"),
        ("in.wav", "ULAW", "out.wav", "PCM_24"),
        ("in.flac", "PCM_24", "out.wav", "PCM_24"),
        ("in.ogg", "VORBIS", "out.wav", "PCM_24"),
        ("in.mp3", "MPEG_LAYER_III", "out.flac", "PCM_24"),
        ("in.aiff", "PCM_16", "out.wav", "PCM_16"),
    ],
)
def test_inputs_of_many_kinds(
    source: str, subtype: str, target: str, kept: str, tmp_path: Path
) -> None:
    """Lossy ones too come out in their place: what an independent read of the input says."""
    file = write_sound(tmp_path / source, subtype=subtype)
    report = processed(tmp_path, file, target=target)
    assert report["output"]["sample_type"] == sf.info(tmp_path / target).subtype == kept
    got, _ = sf.read(tmp_path / target)
    heard, _ = sf.read(file)
    assert len(got) == len(heard) == report["input"]["frames"]
    inside = slice(1000, len(heard) - 1000)  # the edges are faded
    tolerance = 0.02 if subtype == "ULAW" else 5e-3  # its noise above 6 kHz is removed
    np.testing.assert_allclose(got[inside], FULL * heard[inside], atol=tolerance)


@pytest.mark.parametrize(
    ("options", "left", "right"),
    [
        ([], 0.5, 0.5),
        (["--channel", "mix"], 0.5, 0.5),
        (["--channel", "left"], 1.0, 0.0),
        (["--channel", "right"], 0.0, 1.0),
        (["--channel", "2"], 0.0, 1.0),
    ],
)
def test_stereo(options: list[str], left: float, right: float, tmp_path: Path) -> None:
    one, other = talk(48_000), -0.3 * talk(48_000)[::-1]
    source = write_sound(tmp_path / "in.wav", np.column_stack([one, other]))
    report = processed(tmp_path, source, *options)
    got, _ = sf.read(tmp_path / "out.wav", always_2d=True)
    assert got.shape == (48_000, 1)
    np.testing.assert_allclose(got[:, 0], FULL * (left * one + right * other), atol=1e-3)
    assert report["input"]["channels"] == 2
    assert report["input"]["channel"] == (options or ["mix"])[-1]


def test_channels_that_cancel_are_noted(tmp_path: Path) -> None:
    source = write_sound(tmp_path / "in.wav", np.column_stack([talk(48_000), -talk(48_000)]))
    assert "cancels" in processed(tmp_path, source)["notes"][0]
    assert processed(tmp_path, source, "--channel", "left")["notes"] == []


def test_what_is_no_number_is_counted(tmp_path: Path) -> None:
    samples = talk(44_100)
    samples[10_000:10_050] = np.nan
    samples[20_000] = np.inf
    source = write_sound(tmp_path / "in.wav", samples, rate_hz=44_100)
    report = processed(tmp_path, source)
    assert report["input"]["nonfinite_samples"] == 51
    assert "51 samples" in report["notes"][0]
    got, _ = sf.read(tmp_path / "out.wav")
    assert np.isfinite(got).all()
    np.testing.assert_allclose(got[25_000:], FULL * talk(44_100)[25_000:], atol=1e-3)


def test_the_report_holds_the_documented_keys(tmp_path: Path) -> None:
    source = write_sound(tmp_path / "in.wav")
    report = processed(tmp_path, source)
    documented = {key for key in KEYS if not key.startswith("meters")}
    found = {key for key, _ in flatten(report) if not key.startswith("meters.")}
    assert {key for key in found if not key.startswith("versions.")} == documented - {"versions"}
    assert "versions.carrierfloor" in found
    assert all(isinstance(value, float) for value in report["meters"]["limiter"].values())


def test_the_report_tells_what_is_known_in_closed_form(tmp_path: Path) -> None:
    """A steady tone of half of full modulation through a flat rig."""
    tone = 0.5 * np.sin(2 * np.pi * 1000.0 * np.arange(96_000) / 48_000)
    source = write_sound(tmp_path / "in.wav", tone, subtype="DOUBLE")
    report = processed(tmp_path, source)
    antenna, card = report["antenna"], report["card"]
    assert antenna["negative_peak_pct"] == pytest.approx(50.0, abs=0.05)
    assert antenna["positive_peak_pct"] == pytest.approx(50.0, abs=0.05)
    assert antenna["cutoffs"] == 0
    assert antenna["density_pct"] == pytest.approx(50.0 / np.sqrt(2), rel=0.01)
    assert antenna["pep_w"] == pytest.approx(225.0, rel=0.002)  # (1 + 0.5)^2 x 100 W
    assert card["peak_dbfs"] == pytest.approx(20 * np.log10(0.5) - 6.0, abs=0.01)
    assert report["input"]["peak_dbfs"] == pytest.approx(-6.02, abs=0.01)
    assert report["input"]["duration_s"] == 2.0
    assert report["unprocessed"]["negative_peak_pct"] == pytest.approx(50.0, rel=0.01)
    assert report["path_blind"]["cutoffs"] is None  # there is no path to be blind for
    assert report["speed"]["times_real_time"] > 1.0


def test_cut_offs_prevented(tmp_path: Path) -> None:
    """Overdriven low notes through a coupling capacitor: the case that the project is for."""
    t = np.arange(96_000) / 48_000
    square = np.sign(np.sin(2 * np.pi * 120.0 * t)) * (1.0 + np.sign(np.sin(2 * np.pi * 2.0 * t)))
    source = write_sound(tmp_path / "in.wav", square)
    options = documents(tmp_path, PATH_RIG)
    report_file = tmp_path / "r.json"
    assert run("process", source, tmp_path / "o.wav", *options, "--report", report_file) == 0
    report = json.loads(report_file.read_text())
    assert report["antenna"]["cutoffs"] == 0
    assert report["antenna"]["negative_peak_pct"] <= 95.1
    assert report["path_blind"]["cutoffs"] > 50
    assert report["path_blind"]["negative_peak_pct"] > 105.0
    assert report["path_blind"]["cutoff_ms"] > 1.0


def test_a_power_over_the_licence_is_noted(tmp_path: Path) -> None:
    """125 % on 100 W make 506 W; the rig's file allows 400."""
    source = write_sound(tmp_path / "in.wav", talk(48_000, peak=4.0))
    report = processed(tmp_path, source)
    assert report["antenna"]["pep_w"] > 400.0
    assert "over the rig's limit of 400 W" in report["notes"][-1]


def test_options_reach_the_chain(tmp_path: Path) -> None:
    source = write_sound(tmp_path / "in.wav", talk(48_000, peak=4.0))
    report = processed(tmp_path, source, "--negative-limit", 70, "--positive-limit", 80)
    assert report["rig"]["negative_limit_pct"] == 70.0
    assert 69.0 < report["antenna"]["negative_peak_pct"] <= 70.1
    assert 79.0 < report["antenna"]["positive_peak_pct"] <= 80.1


def test_no_compare_leaves_the_comparisons_out(tmp_path: Path) -> None:
    report = processed(tmp_path, write_sound(tmp_path / "in.wav"), "--no-compare")
    assert report["unprocessed"]["cutoffs"] is None
    assert report["antenna"]["cutoffs"] == 0


def test_silence(tmp_path: Path) -> None:
    """JSON has no infinity: the level of silence is null."""
    source = write_sound(tmp_path / "in.wav", np.zeros(4800))
    report = processed(tmp_path, source)
    assert report["input"]["active_level_dbfs"] is None
    assert report["antenna"]["negative_peak_pct"] == 0.0
    assert "no speech" in report["notes"][-1]
    assert not sf.read(tmp_path / "out.wav")[0].any()


@pytest.mark.parametrize("frames", [1, 100, 300])
def test_very_short_files(frames: int, tmp_path: Path) -> None:
    source = write_sound(tmp_path / "in.wav", np.full(frames, 0.3))
    assert processed(tmp_path, source)["output"]["frames"] == frames
    assert sf.info(tmp_path / "out.wav").frames == frames


def test_report_as_csv(tmp_path: Path) -> None:
    source, table = write_sound(tmp_path / "in.wav"), tmp_path / "r.csv"
    arguments = [source, tmp_path / "out.wav", *documents(tmp_path), "--report", table]
    assert run("process", *arguments) == 0
    rows = list(csv.DictReader(table.read_text().splitlines()))
    assert len(rows) == 1
    assert rows[0]["antenna.cutoffs"] == "0"
    assert 0 < float(rows[0]["antenna.negative_peak_pct"]) < 60


def test_the_same_input_gives_the_same_file(tmp_path: Path) -> None:
    """Dither included."""
    source = write_sound(tmp_path / "in.wav")
    for target in ("one.wav", "two.wav"):
        processed(tmp_path, source, "--subtype", "PCM_16", target=target)
    assert (tmp_path / "one.wav").read_bytes() == (tmp_path / "two.wav").read_bytes()


def test_an_earlier_output_is_replaced(tmp_path: Path) -> None:
    source = write_sound(tmp_path / "in.wav")
    (tmp_path / "out.wav").write_text("old")
    processed(tmp_path, source)
    assert sf.info(tmp_path / "out.wav").frames == 48_000


def test_the_summary_names_what_matters(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = write_sound(tmp_path / "in.wav")
    options = documents(tmp_path, PATH_RIG)
    assert run("process", source, tmp_path / "out.wav", *options) == 0
    out, err = capsys.readouterr()
    for words in (
        "Negative peak",
        "Positive peak",
        "Carrier cut-offs",
        "Modulation density",
        "Path-blind",
        "Unprocessed",
        "times real time",
        "ms in the chain",
    ):
        assert words in out
    assert "\x1b" not in out  # no colours into a file
    assert "compiling" in err or err == ""
