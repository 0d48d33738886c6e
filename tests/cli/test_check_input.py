"""What check takes and what it refuses: raw files, broken ones, and signals that are no AM."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from carrierfloor.cli.check_head import look
from carrierfloor.cli.check_listening import listen
from carrierfloor.cli.check_options import CheckOptions
from carrierfloor.cli.kept_signal import KeptSignal
from tests.checked import checked, write_recording
from tests.cli.files import refusal
from tests.reference.radio import Radio

RATE_HZ = 48_000
T = np.arange(3 * RATE_HZ) / RATE_HZ
AM = 0.2 * (1.0 + 0.8 * np.sin(2 * np.pi * 400.0 * T)) * np.exp(2j * np.pi * 1234.0 * T)
NOISE = 0.1 * (
    np.random.default_rng(1).normal(size=len(T)) + 1j * np.random.default_rng(2).normal(size=len(T))
)


@pytest.mark.parametrize(
    ("samples", "options", "word"),
    [
        (NOISE, (), "no carrier"),
        (0.0 * AM, (), "silent"),
        (0.3 * np.exp(2j * np.pi * 3000.0 * np.cumsum(np.sin(500.0 * T)) / RATE_HZ), (), "carrier"),
        (AM[: RATE_HZ // 4], (), "0.5 s are needed"),
        (AM[:10], (), "0.5 s are needed"),
        (np.clip(8.0 * AM.real, -1, 0.9999) + 1j * np.clip(8.0 * AM.imag, -1, 0.9999), (), "clip"),
        (AM.real + 1j * AM.real, (), "both channels are the same"),
        (AM.real + 0.0j, (), "silent"),
        (AM, ("--kind", "if"), "not one signal; choose one with --channel left or right"),
        (AM, ("--kind", "detector"), "give --kind iq if they are I and Q"),
        (AM, ("--kind", "if", "--channel", "left"), "Hz"),
        (AM.real + 0.001j * AM.imag, ("--kind", "detector"), "channel 2 holds next to nothing"),
        (np.column_stack([AM.real] * 3), ("--kind", "if"), "3 channels; choose one with --channel"),
        (AM.real, ("--kind", "iq"), "2 channels"),
        (0.3 * np.sin(2 * np.pi * 400.0 * T), (), "how high the carrier is"),
        (0.5 * np.abs(AM), ("--kind", "detector", "--mask", "am-broadcast"), "leave --mask out"),
        (AM, ("--apply",), "--rig"),
        (AM, ("--knee", "5"), "--kind detector"),
        (AM, ("--kind", "detector", "--knee", "-5"), "--knee is -5; it must be 0 to 100 %"),
        (AM, ("--kind", "detector", "--rc", "nan"), "--rc is nan"),
        (AM, ("--kind", "detector", "--carrier-level", "0"), "--carrier-level is 0"),
        (AM, ("--kind", "iq", "--channel", "left"), "IQ needs both channels"),
        (AM, ("--path", "x"), "--rig"),
        (AM, ("--path", "x", "--rig", "plate-modulated"), "path is 'x'"),
        (AM, ("--mask", "nonsense"), "nonsense"),
        (AM, ("--rate", "48000"), "--rate is for raw files"),
        (AM, ("--carrier", "90000"), "carrier"),
        (AM, ("--rig", "plate-modulated", "--apply"), "ships with carrierfloor"),
        (AM, ("--report", "x.txt"), ".json or .csv"),
    ],
)
def test_what_cannot_be_checked_is_refused_in_one_line(
    samples: Any,
    options: tuple[str, ...],
    word: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    file = write_recording(tmp_path / "r.wav", np.asarray(samples), RATE_HZ)
    assert word in refusal(capsys, "check", str(file), *options)
    assert not list(tmp_path.glob("*.json"))


def test_broken_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = write_recording(tmp_path / "whole.wav", AM, RATE_HZ).read_bytes()
    (tmp_path / "junk.wav").write_bytes(bytes(range(256)) * 20)
    (tmp_path / "head.wav").write_bytes(whole[:30])
    for name in ("junk.wav", "head.wav", "missing.wav"):
        assert name in refusal(capsys, "check", str(tmp_path / name))
    (tmp_path / "half.wav").write_bytes(whole[: len(whole) // 2 + 1])
    found = checked(tmp_path / "half.wav")
    assert any("its header promises 3.0 s" in note for note in found["notes"])
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(80.0, abs=0.1)


def test_a_bare_carrier_has_no_modulation(tmp_path: Path) -> None:
    radio = Radio(offset_hz=700.0, carrier_to_noise_db=45.0)
    samples = radio.iq(np.ones(4 * RATE_HZ), RATE_HZ)
    found = checked(write_recording(tmp_path / "r.wav", samples, RATE_HZ))
    assert found["modulation"]["positive_peak_pct"] == 0.0
    assert found["recording"]["modulated_s"] == 0.0
    assert any("Nothing modulates" in note for note in found["notes"])


@pytest.mark.parametrize("hz", [22_000.0, -22_000.0])
def test_a_carrier_near_the_end_of_the_band_says_how_little_was_heard(
    hz: float, tmp_path: Path
) -> None:
    radio = Radio(offset_hz=hz, carrier_to_noise_db=50.0)
    m = 0.8 * np.sin(2 * np.pi * 400.0 * T)
    found = checked(write_recording(tmp_path / "r.wav", radio.iq(1.0 + m, RATE_HZ), RATE_HZ))
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(80.0, abs=0.2)
    assert any("Only 1.6 kHz on each side" in note for note in found["notes"])


def test_a_phase_that_moves_with_the_modulation_makes_peaks_uncertain(tmp_path: Path) -> None:
    """The envelope goes to +90 %; along the carrier (1 + m) cos(m / 4) is left of it."""
    m = 0.9 * np.sin(np.pi * T / 1.5) * np.sin(2 * np.pi * 313.0 * T) * (T < 1.5)
    radio = Radio(offset_hz=1234.0, carrier_to_noise_db=60.0)
    samples = radio.iq(1.0 + m, RATE_HZ) * np.exp(0.25j * m)
    found = checked(write_recording(tmp_path / "r.wav", samples, RATE_HZ))
    modulation = found["modulation"]
    within = 2.0 * modulation["peak_error_pct"]
    assert modulation["positive_peak_pct"] == pytest.approx(90.0, abs=1.2 * within)
    assert 2.5 < within < 6.0
    assert any("The phase moves with the modulation" in note for note in found["notes"])


def test_lost_samples_are_no_warning(tmp_path: Path) -> None:
    """60 ms of zeros in a carrier that goes on."""
    m = np.where(np.abs(T - 1.5) < 1.0, 0.8 * np.sin(2 * np.pi * 400.0 * T), 0.0)
    samples = Radio(offset_hz=1234.0, carrier_to_noise_db=50.0).iq(1.0 + m, RATE_HZ)
    samples[RATE_HZ : RATE_HZ + 2880] = 0.0
    found = checked(write_recording(tmp_path / "r.wav", samples, RATE_HZ))
    assert found["modulation"]["cutoffs"] <= 1


def test_a_slow_recording_is_measured(tmp_path: Path) -> None:
    """8 kHz: its spectrum is finer than that of others."""
    t = np.arange(24_000) / 8000.0
    m = np.where(np.abs(t - 1.5) < 0.7, 0.8 * np.sin(2 * np.pi * 400.0 * t), 0.0)
    samples = Radio(rate_hz=8000.0, offset_hz=300.0, carrier_to_noise_db=50.0).iq(1.0 + m, 8000.0)
    found = checked(write_recording(tmp_path / "r.wav", samples, 8000.0))
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(80.0, abs=0.2)


def test_the_waterfall_tells_the_time_of_the_recording(tmp_path: Path) -> None:
    """A carrier from 2.5 s on, with lines of -20 dBc, 6 kHz away, from 4 to 5 s."""
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    envelope = (t > 2.5) * (1.0 + 0.2 * ((t > 4.0) & (t < 5.0)) * np.sin(12_000.0 * np.pi * t))
    samples = Radio(offset_hz=700.0, carrier_to_noise_db=60.0).iq(envelope, RATE_HZ)
    options = CheckOptions(recording=write_recording(tmp_path / "r.wav", samples, RATE_HZ))
    with KeptSignal() as kept:
        heard = listen(options, look(options), kept, lambda _: None)
    assert heard.wide is not None
    waterfall = heard.wide.read_waterfall(0.2)
    times_s = waterfall.time_s[waterfall.beyond_dbc(5000.0)[1] > -30.0]
    assert 3.8 < times_s[0] < 4.2
    assert 4.8 < times_s[-1] < 5.2


def test_two_channels_of_one_signal_may_be_mixed(tmp_path: Path) -> None:
    radio = Radio(offset_hz=12_000.0, carrier_to_noise_db=50.0)
    one = radio.low_if(1.0 + 0.8 * np.sin(2 * np.pi * 400.0 * T), RATE_HZ)
    file = write_recording(tmp_path / "r.wav", np.asarray(one + 0.98j * one), RATE_HZ)
    found = checked(file, "--kind", "if")
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(80.0, abs=0.2)


def test_bytes_that_are_no_floats_are_refused_without_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "r.cf32"
    file.write_bytes(np.random.default_rng(4).bytes(2_000_000))
    refusal(capsys, "check", str(file), "--rate", str(RATE_HZ))


def test_a_balanced_modulator_turns_its_phase_over_and_does_not_splatter(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A gliding tone of 130 %, whose envelope goes on below zero."""
    m = 1.3 * (np.abs(T - 1.5) < 1.0) * np.sin(2 * np.pi * (300.0 + 200.0 * T) * T)
    samples = 0.3 * (1.0 + m) * np.exp(2j * np.pi * 1234.0 * T)
    found = checked(write_recording(tmp_path / "r.wav", samples, RATE_HZ))["modulation"]
    assert found["phase_reverses"] is True
    assert found["negative_peak_pct"] == pytest.approx(130.0, abs=0.5)
    shown = capsys.readouterr().out
    assert "phase turns over: -130" in shown
    assert "this splatters" not in shown


@pytest.mark.parametrize("ending", ["cu8", "cs8", "cs16", "cf32"])
def test_raw_recordings(ending: str, tmp_path: Path) -> None:
    file = write_recording(tmp_path / f"r.{ending}", 2.0 * AM, RATE_HZ)
    found = checked(file, "--rate", str(RATE_HZ))
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(80.0, abs=0.2)
    assert found["carrier"]["frequency_hz"] == pytest.approx(1234.0, abs=0.01)
    assert found["emission"]["occupied_hz"] == pytest.approx(800.0, abs=25.0)


def test_cutting_what_is_read_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Blocks of another size, in the file as in the kept signal."""
    radio = Radio(offset_hz=700.0, carrier_to_noise_db=45.0)
    m = 0.9 * np.sin(2 * np.pi * 3.0 * T) * np.sin(2 * np.pi * 313.0 * T)
    file = write_recording(tmp_path / "r.wav", radio.iq(1.0 + m, RATE_HZ), RATE_HZ)
    one = checked(file)
    monkeypatch.setattr("carrierfloor.cli.audio_in.BLOCK_FRAMES", 5000)
    monkeypatch.setattr("carrierfloor.cli.kept_signal.BLOCK", 9600)
    other = checked(file)
    for key in ("positive_read_pct", "negative_read_pct", "rms_pct", "negative_peak_pct"):
        assert other["modulation"][key] == pytest.approx(one["modulation"][key], abs=1e-6)
    assert other["emission"]["occupied_hz"] == pytest.approx(one["emission"]["occupied_hz"], 1e-3)
