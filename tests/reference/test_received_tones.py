"""``check`` against closed forms of tones, through a simulated receiver that shares no code.

The recordings are those of tests/reference/radio.py.  Formulas, with u = arccos(-1/m): a tone of
index m has the sideband lines 20 lg(m/2) dBc and the power 1 + m^2/2; beyond 100 % a final that is
cut off is off for arccos(1/m)/pi of the time, its mean is (u + m sin u)/pi, and its lines at n f
are (1/pi) times the integral of (1 + m cos x) cos nx from 0 to u.  Peak envelope power: (1 + m)^2,
47 CFR 97.3(b).
"""

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from tests.checked import checked, write_recording
from tests.reference.radio import Array, Radio

FINE_HZ = 384_000.0
BEFORE_S, TONE_S = 1.0, 3.0


def envelope(index: float, frequency_hz: float = 1000.0) -> Array:
    """A bare carrier, a tone, a bare carrier; cut off where the tone goes below zero."""
    t = np.arange(round((2 * BEFORE_S + TONE_S) * FINE_HZ)) / FINE_HZ - BEFORE_S
    on = (t >= 0.0) & (t < TONE_S)
    return np.asarray(np.maximum(0.0, 1.0 + index * on * np.sin(2 * np.pi * frequency_hz * t)))


def line_dbc(order: int, index: float) -> float:
    """Return the level of the sideband at ``order`` times the tone, by a sum over a fine grid."""
    x = (np.arange(200_000) + 0.5) * 2 * np.pi / 200_000
    wave = np.maximum(0.0, 1.0 + index * np.cos(x))
    return 20.0 * math.log10(2.0 * abs(np.mean(wave * np.cos(order * x))) / 2.0)


@pytest.mark.parametrize("index", [0.30, 0.50, 0.85, 0.95, 1.00, 1.05, 1.25])
def test_depth_at_40_db_carrier_to_noise(index: float, tmp_path: Path) -> None:
    """Within 0.1 % of modulation, 3 kHz off tune and drifting by 20 Hz/s."""
    radio = Radio(offset_hz=3000.0, drift_hz_per_s=20.0, carrier_to_noise_db=40.0)
    found = checked(
        write_recording(tmp_path / "r.wav", radio.iq(envelope(index), FINE_HZ), radio.rate_hz)
    )
    modulation, carrier = found["modulation"], found["carrier"]
    assert modulation["reference"] == "unmodulated carrier"
    assert modulation["peaks_by"] == "steady tone"
    assert modulation["positive_peak_pct"] == pytest.approx(100.0 * index, abs=0.1)
    assert modulation["negative_peak_pct"] == pytest.approx(100.0 * min(1.0, index), abs=0.1)
    assert modulation["pep_ratio"] == pytest.approx((1.0 + index) ** 2, rel=1e-3)
    u = math.acos(-1.0 / index) if index > 1.0 else math.pi
    mean = (u + index * math.sin(u)) / math.pi if index > 1.0 else 1.0
    assert carrier["shift_db"] == pytest.approx(20.0 * math.log10(mean), abs=0.02)
    assert carrier["drift_hz_per_s"] == pytest.approx(20.0, abs=0.1)
    assert found["recording"]["carrier_to_noise_db"] == pytest.approx(40.0, abs=0.4)
    (run,) = found["tones"]["runs"]
    assert run["sidebands_dbc"][0] == pytest.approx(line_dbc(1, index), abs=0.05)
    if index <= 1.0:
        assert modulation["cutoffs"] == 0
        assert modulation["power_ratio"] == pytest.approx(1.0 + index**2 / 2.0, rel=3e-3)
        return
    off = math.acos(1.0 / index) / math.pi
    assert modulation["cutoffs"] == pytest.approx(1000 * TONE_S, rel=0.01)
    assert modulation["cutoff_ms"] == pytest.approx(1000.0 * TONE_S * off, rel=0.059)  # 0.5 dB
    assert modulation["cutoff_longest_ms"] == pytest.approx(off, rel=0.059)
    assert modulation["wanted_negative_peak_pct"] == pytest.approx(100.0 * index, abs=0.5)
    for order in (2, 3, 4, 5):
        wanted = line_dbc(order, index)
        assert run["sidebands_dbc"][order - 1] == pytest.approx(wanted, abs=0.5)


@pytest.mark.parametrize(("frequency_hz", "index"), [(3000.0, 1.25), (7500.0, 1.1)])
def test_a_treble_tone_is_cut_off_though_the_band_holds_few_of_its_lines(
    frequency_hz: float, index: float, tmp_path: Path
) -> None:
    """8 kHz on each side hold two lines or one; the mean tells a cut-off from a turned phase."""
    radio = Radio(rate_hz=96_000.0, offset_hz=3000.0, carrier_to_noise_db=50.0)
    samples = radio.iq(envelope(index, frequency_hz), FINE_HZ)
    file = write_recording(tmp_path / "r.wav", samples, radio.rate_hz)
    modulation = checked(file)["modulation"]
    assert modulation["phase_reverses"] is False
    assert modulation["negative_peak_pct"] == 100.0
    assert modulation["positive_peak_pct"] == pytest.approx(100.0 * index, abs=0.1)
    assert modulation["wanted_negative_peak_pct"] == pytest.approx(100.0 * index, abs=0.5)


def test_a_treble_tone_of_a_balanced_modulator_turns_over(tmp_path: Path) -> None:
    t = np.arange(round(5.0 * FINE_HZ)) / FINE_HZ
    on = np.clip(50.0 * (1.5 - np.abs(t - 2.5)), 0.0, 1.0)  # glides: a step would ring
    radio = Radio(rate_hz=96_000.0, offset_hz=3000.0, carrier_to_noise_db=50.0)
    wave: Array = 1.0 + 1.25 * on * np.sin(2 * np.pi * 6000.0 * t)
    samples = radio.iq(wave, FINE_HZ)
    file = write_recording(tmp_path / "r.wav", samples, radio.rate_hz)
    modulation = checked(file)["modulation"]
    assert modulation["phase_reverses"] is True
    assert modulation["negative_peak_pct"] == pytest.approx(125.0, abs=0.5)
    assert modulation["positive_peak_pct"] == pytest.approx(125.0, abs=0.5)


@pytest.mark.parametrize("index", [0.95, 1.25])
def test_a_low_intermediate_frequency(index: float, tmp_path: Path) -> None:
    radio = Radio(offset_hz=12_000.0, carrier_to_noise_db=50.0)
    file = write_recording(tmp_path / "r.wav", radio.low_if(envelope(index), FINE_HZ), 48_000)
    found = checked(file)
    assert found["recording"]["kind"] == "if"
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(100.0 * index, abs=0.1)
    assert found["modulation"]["negative_peak_pct"] == pytest.approx(
        100.0 * min(index, 1.0), abs=0.1
    )


@pytest.mark.parametrize("index", [0.5, 0.95, 1.25])
def test_8_bits_an_image_and_a_strong_neighbour(index: float, tmp_path: Path) -> None:
    """240 kS/s of 8 bits, 2 % IQ imbalance, and a station 10 dB up, 15 kHz away."""
    rate_hz = 240_000.0
    ours = Radio(
        rate_hz=rate_hz, offset_hz=3000.0, drift_hz_per_s=20.0, carrier_to_noise_db=40.0,
        amplitude=0.08, image=0.02,
    )  # fmt: skip
    theirs = Radio(rate_hz=rate_hz, offset_hz=18_000.0, amplitude=0.08 * 10**0.5, image=0.02)
    both = ours.iq(envelope(index), FINE_HZ)
    both += theirs.iq(1.0 + 0.7 * (envelope(0.8, 1700.0) - 1.0), FINE_HZ)
    found = checked(write_recording(tmp_path / "r.cu8", both, rate_hz), "--rate", "240000")
    modulation, recording = found["modulation"], found["recording"]
    assert recording["image_pct"] == pytest.approx(2.0, abs=0.1)
    assert found["carrier"]["frequency_hz"] == pytest.approx(3050.0, abs=1.0)
    assert modulation["positive_peak_pct"] == pytest.approx(100.0 * index, abs=0.3)
    assert modulation["negative_peak_pct"] == pytest.approx(100.0 * min(index, 1.0), abs=0.3)
    assert (modulation["cutoffs"] > 0) == (index > 1.0)


def test_a_fast_recording_far_off_tune(tmp_path: Path) -> None:
    """1.024 MS/s of 16 bits, the carrier at -210 kHz and drifting."""
    radio = Radio(
        rate_hz=1_024_000.0, offset_hz=-210_000.0, drift_hz_per_s=20.0, carrier_to_noise_db=50.0
    )
    samples = radio.iq(envelope(1.05)[: round(3.0 * FINE_HZ)], FINE_HZ)
    found = checked(
        write_recording(tmp_path / "r.cs16", samples, radio.rate_hz), "--rate", "1.024e6"
    )
    assert found["carrier"]["frequency_hz"] == pytest.approx(-210_000.0 + 20.0 * 1.5, abs=2.0)
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(105.0, abs=0.1)
    assert found["modulation"]["negative_peak_pct"] == 100.0
    assert found["modulation"]["cutoff_longest_ms"] == pytest.approx(0.0986, rel=0.059)
    assert found["emission"]["recorded_to_hz"] == pytest.approx(120_000.0, abs=500.0)


@pytest.mark.parametrize("floor", [0.08, 0.2])
def test_a_floor_held_by_a_diode_is_told_from_the_ringing_of_its_corners(
    floor: float, tmp_path: Path
) -> None:
    """What reads deeper is what scipy's low-pass of that width makes of the same corners.

    Low-passes ring alike, not equally; the tone glides from 300 to 3500 Hz.
    """
    t = np.arange(round(TONE_S * FINE_HZ)) / FINE_HZ
    glide = 1.6 * signal.chirp(t, 300.0, TONE_S, 3500.0)
    bare = np.ones(round(BEFORE_S * FINE_HZ))
    sent = np.concatenate([bare, np.maximum(floor, 1.0 + glide), bare])
    radio = Radio(rate_hz=96_000.0, offset_hz=2000.0, carrier_to_noise_db=70.0)
    found = checked(write_recording(tmp_path / "r.wav", radio.iq(sent, FINE_HZ), 96_000))
    half_width_hz = found["recording"]["half_width_hz"]
    taps = signal.firwin(2049, 1.125 * half_width_hz, width=0.25 * half_width_hz, fs=FINE_HZ)
    received = signal.oaconvolve(sent, taps, "same")[len(bare) // 2 : -len(bare) // 2]
    modulation = found["modulation"]
    overshoot_pct = 100.0 * (floor - received.min())
    assert overshoot_pct > 5.0
    read_pct = modulation["negative_read_pct"] - 100.0 * (1.0 - floor)
    assert read_pct == pytest.approx(overshoot_pct, rel=0.1)
    assert modulation["held_up_at_pct"] == pytest.approx(100.0 * floor, abs=0.2)
    assert modulation["negative_peak_pct"] == pytest.approx(100.0 * (1.0 - floor), abs=0.2)
    assert modulation["cutoffs"] == modulation["cutoffs_uncertain"] == 0
    assert any("ringing" in note for note in found["notes"])


@pytest.mark.parametrize("index", [0.9, 1.25])
def test_without_a_bare_carrier_the_mean_stands_in(index: float, tmp_path: Path) -> None:
    """It is said so; what cut-offs add to the mean is taken out, 3.4 % at 125 %."""
    only = slice(round(BEFORE_S * FINE_HZ), round((BEFORE_S + TONE_S) * FINE_HZ))
    radio = Radio(offset_hz=1000.0, carrier_to_noise_db=45.0)
    samples = radio.iq(envelope(index)[only], FINE_HZ)
    found = checked(write_recording(tmp_path / "r.wav", samples, 48_000))
    modulation = found["modulation"]
    assert modulation["reference"] == "mean"
    assert any("against the mean" in note for note in found["notes"])
    assert found["carrier"]["shift_db"] is None
    assert modulation["positive_peak_pct"] == pytest.approx(100.0 * index, abs=0.2)
    assert modulation["cutoffs_taken_out"] == (index > 1.0)


def test_two_tones_with_intermodulation(tmp_path: Path) -> None:
    """Tones of 0.5 at 700 and 1900 Hz through y = x + 0.1 x^2 + 0.1 x^3, half as deep.

    IEC 60268-3, 14.12.8, products at negative frequencies folded in: d2 0.02367, d3 0.01775.
    """
    t = np.arange(round(5.0 * FINE_HZ)) / FINE_HZ
    x = 0.5 * (np.sin(2 * np.pi * 700.0 * t) + np.sin(2 * np.pi * 1900.0 * t))
    y = np.where((t > 1.0) & (t < 4.0), x + 0.1 * x**2 + 0.1 * x**3, 0.0)
    radio = Radio(offset_hz=1000.0, carrier_to_noise_db=60.0)
    found = checked(write_recording(tmp_path / "r.wav", radio.iq(1.0 + 0.5 * y, FINE_HZ), 48_000))
    (run,) = found["tones"]["runs"]
    assert run["frequencies_hz"] == pytest.approx([700.0, 1900.0], abs=0.01)
    assert run["difference_second_pct"] == pytest.approx(2.3669, abs=0.03)
    assert run["difference_third_pct"] == pytest.approx(1.7751, abs=0.03)
    assert run["third_order_db"] == pytest.approx(-35.02, abs=0.1)
