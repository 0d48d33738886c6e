"""The spectrum beside a carrier against scipy, the window's published figures and Parseval."""

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rf_spectrum import RfSpectrum
from carrierfloor.dsp.spectral_window import NOISE_BINS, RESOLUTION_BINS, blackman_harris
from carrierfloor.dsp.spectrum_meter import SpectrumMeter

RATE_HZ = 48_000.0
Samples = NDArray[Any]


def measure(samples: Samples, cut: int = 9600, amplitude: float = 1.0, **how: Any) -> RfSpectrum:
    rate_hz, carrier_hz = how.pop("rate_hz", RATE_HZ), how.pop("carrier_hz", 0.0)
    meter = SpectrumMeter(rate_hz, **how)
    for start in range(0, len(samples), cut):
        meter.feed(samples[start : start + cut], carrier_hz)
    return meter.read(amplitude)


def modulated(index: float, tone_hz: float, seconds: float = 2.0, rate_hz: float = RATE_HZ) -> Any:
    """Return a carrier at 0 Hz, its phase 0.7, with one tone."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return (1.0 + index * np.cos(2 * np.pi * tone_hz * t)) * np.exp(0.7j)


def noise(count: int, rms: float, seed: int = 1) -> Any:
    pairs = np.random.default_rng(seed).standard_normal((2, count)) * rms / math.sqrt(2.0)
    return pairs[0] + 1j * pairs[1]


def line_dbc(spectrum: RfSpectrum, offset_hz: float) -> float:
    """Return the power of the bins around an offset."""
    near = np.abs(spectrum.offset_hz - offset_hz) < 4.5 * spectrum.bin_hz
    return 10 * math.log10(float(spectrum.mean_power[near].sum()))


def test_window_is_scipys_and_has_its_published_widths() -> None:
    """Harris 1978, table 1: noise bandwidth 2.00 bins, 3 dB width 1.90 bins, scallop 0.83 dB."""
    window = blackman_harris(512)
    np.testing.assert_allclose(window, signal.windows.blackmanharris(512, sym=False), atol=1e-12)
    assert 512 * np.sum(window**2) / window.sum() ** 2 == pytest.approx(NOISE_BINS, abs=1e-4)
    fine = np.abs(np.fft.fft(window, 512 * 1000)) / window.sum()
    width = 2 * np.argmax(fine < math.sqrt(0.5)) / 1000
    assert abs(width - RESOLUTION_BINS) < 2e-3
    assert 20 * math.log10(fine[500]) == pytest.approx(-0.83, abs=0.005)
    assert round(NOISE_BINS, 2) == 2.0
    assert round(RESOLUTION_BINS, 2) == 1.9


def test_spectrum_is_welchs() -> None:
    """scipy.signal.welch with the same window, segments and overlap, two-sided."""
    samples = 1.0 + noise(60_000, 0.3)
    found = measure(samples, resolution_hz=100.0)
    length = round(RATE_HZ / found.bin_hz)
    offset_hz, density = signal.welch(
        samples,
        RATE_HZ,
        window="blackmanharris",
        nperseg=length,
        noverlap=length - length // 4,
        detrend=False,
        return_onesided=False,
    )
    order = np.argsort(offset_hz)
    np.testing.assert_allclose(found.offset_hz, offset_hz[order], atol=1e-6)
    np.testing.assert_allclose(found.mean_power, density[order] * found.bin_hz, rtol=2e-4)
    assert found.segments == (len(samples) - length) // (length // 4) + 1


def test_peak_hold_is_the_highest_of_all_segments() -> None:
    """scipy.signal.stft of the same segments, its largest magnitude in each bin."""
    samples = noise(30_000, 0.3)
    found = measure(samples, resolution_hz=300.0)
    length = round(RATE_HZ / found.bin_hz)
    _, _, lines = signal.stft(
        samples,
        RATE_HZ,
        window="blackmanharris",
        nperseg=length,
        noverlap=length - length // 4,
        return_onesided=False,
        boundary=None,
        padded=False,
    )
    highest = np.fft.fftshift(np.abs(lines).max(axis=1) ** 2)
    np.testing.assert_allclose(found.peak_dbc, 10 * np.log10(highest), atol=0.01)


def test_a_click_reads_at_most_3_2_db_low_wherever_it_falls() -> None:
    """At best it lies in the middle of a segment, at worst an eighth of one away: 20 lg w(3/8)."""
    length = round(RATE_HZ / SpectrumMeter(RATE_HZ).bin_hz)
    levels = []
    for place in range(5 * length, 5 * length + length // 4, 5):
        samples = np.zeros(10 * length, dtype=complex)
        samples[place] = 1.0
        levels.append(measure(samples).peak_dbc.max())
    w = blackman_harris(8)[3]
    assert max(levels) == pytest.approx(20 * math.log10(1 / (0.35875 * length)), abs=0.01)
    assert min(levels) - max(levels) == pytest.approx(20 * math.log10(w), abs=0.05)
    assert min(levels) - max(levels) > -3.2


@pytest.mark.parametrize("index", [1.0, 0.85, 0.5, 0.3])
def test_sideband_lines_of_one_tone(index: float) -> None:
    """Each of the two lines is m/2 of the carrier: -6.021, -7.432, -12.041, -16.478 dBc."""
    found = measure(0.2 * modulated(index, 3000.0), amplitude=0.2)
    for side in (-3000.0, 3000.0):
        assert line_dbc(found, side) == pytest.approx(20 * math.log10(index / 2), abs=0.005)
    assert line_dbc(found, 0.0) == pytest.approx(0.0, abs=0.002)


def test_levels_of_lines_between_bins_scallop_as_published() -> None:
    """Harris 1978: a line half way between two bins reads 0.83 dB low, on one it reads itself."""
    exact = measure(modulated(0.0, 0.0))
    assert exact.mean_dbc.max() == pytest.approx(0.0, abs=1e-4)
    t = np.arange(96_000) / RATE_HZ
    between = measure(np.exp(2j * np.pi * (40.5 * exact.bin_hz) * t))
    assert between.mean_dbc.max() == pytest.approx(-0.83, abs=0.01)
    assert 10 * math.log10(between.mean_power.sum()) == pytest.approx(0.0, abs=1e-3)


def test_resolution_is_what_was_asked_for_or_a_little_finer() -> None:
    for rate_hz in (48e3, 96e3, 250e3, 2.4e6, 3e6):
        found = SpectrumMeter(rate_hz).read(1.0)
        assert 280.0 <= found.resolution_hz <= 300.0
        assert found.noise_bandwidth_hz == pytest.approx(found.resolution_hz * 2.0 / 1.9, rel=3e-3)


def test_nothing_hides_beside_the_carrier() -> None:
    """The window's side lobes are 92 dB down: a line of -80 dBc at 10.2 kHz reads -80."""
    t = np.arange(96_000) / RATE_HZ
    found = measure(np.exp(0.3j) + 1e-4 * np.exp(2j * np.pi * 10_200.0 * t))
    assert line_dbc(found, 10_200.0) == pytest.approx(-80.0, abs=0.02)
    assert found.mean_dbc[np.abs(found.offset_hz + 10_200.0) < 3000.0].max() < -95.0


def test_mixing_down_inside_is_the_same_as_outside() -> None:
    t = np.arange(96_000) / RATE_HZ
    at_zero = modulated(0.5, 2000.0) + noise(96_000, 0.01)
    away = at_zero * np.exp(2j * np.pi * 3100.0 * t)
    wanted: Any = {"lowest_hz": -10_000.0, "highest_hz": 10_000.0}
    one, other = measure(at_zero, **wanted), measure(away, carrier_hz=3100.0, **wanted)
    np.testing.assert_allclose(other.mean_power, one.mean_power, rtol=1e-3, atol=1e-11)
    np.testing.assert_allclose(other.shared_power, one.shared_power, rtol=1e-2, atol=1e-9)


def test_a_drifting_carrier_stays_in_the_middle() -> None:
    """20 Hz/s for 20 s, told every 20 ms: the line stays one line."""
    seconds, frame = 20.0, 960
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    samples = np.exp(2j * np.pi * (1000.0 + 10.0 * t) * t)
    meter = SpectrumMeter(RATE_HZ)
    for start in range(0, len(samples), frame):
        meter.feed(samples[start : start + frame], 1000.0 + 20.0 * t[start])
    found = meter.read(1.0)
    assert found.mean_dbc.max() == pytest.approx(0.0, abs=0.01)
    assert found.offset_hz[np.argmax(found.mean_power)] == 0.0


def test_real_recording_counts_as_its_carrier() -> None:
    """A cosine of amplitude A, 12 kHz, is a carrier of amplitude A; lines m/2."""
    t = np.arange(96_000) / RATE_HZ
    real = 0.3 * (1.0 + 0.5 * np.cos(2 * np.pi * 1500.0 * t)) * np.cos(2 * np.pi * 12e3 * t + 0.4)
    found = measure(real, amplitude=0.3, carrier_hz=12e3, lowest_hz=-12e3, highest_hz=12e3)
    assert line_dbc(found, 0.0) == pytest.approx(0.0, abs=0.002)
    assert line_dbc(found, 1500.0) == pytest.approx(-12.041, abs=0.005)
    assert line_dbc(found, -1500.0) == pytest.approx(-12.041, abs=0.005)
    assert -12_000.0 <= found.offset_hz[0] <= -11_800.0


def test_a_carrier_off_the_middle_unfolds_the_band() -> None:
    """IQ with the carrier at +10 kHz holds offsets of -34 to +14 kHz."""
    t = np.arange(96_000) / RATE_HZ
    carrier = np.exp(2j * np.pi * 10e3 * t)
    found = measure(
        carrier * (1.0 + 0.01 * np.exp(-2j * np.pi * 30e3 * t)),
        carrier_hz=10e3,
        lowest_hz=-34e3,
        highest_hz=14e3,
    )
    assert found.offset_hz[0] == pytest.approx(-34e3, abs=found.bin_hz)
    assert line_dbc(found, -30e3) == pytest.approx(-40.0, abs=0.01)
    assert found.mean_dbc[found.offset_hz > 5000.0].max() < -90.0


def test_total_power_is_the_mean_square() -> None:
    """Parseval."""
    samples = noise(480_000, 1.0)
    assert measure(samples).mean_power.sum() == pytest.approx(1.0, rel=0.01)


def test_shared_power_is_the_modulation_without_noise_and_neighbour() -> None:
    """One tone of 50 % is -12.04 dBc on either side; a stronger neighbour is not shared."""
    t = np.arange(20 * 48_000) / RATE_HZ
    own = modulated(0.5, 2000.0, seconds=20.0)
    neighbour = (
        math.sqrt(10) * (1 + 0.5 * np.cos(2 * np.pi * 1e3 * t)) * np.exp(2j * np.pi * 15e3 * t)
    )
    found = measure(own + neighbour + noise(len(t), 0.1)).mirrored()
    assert line_dbc(found, 2000.0) == pytest.approx(-12.041, abs=0.1)
    assert line_dbc(found, -2000.0) == pytest.approx(-12.041, abs=0.1)
    beside = np.abs(found.offset_hz - 15e3) < 3000.0
    assert abs(found.mean_power[beside].sum()) < 10.0 * 0.01


def test_shared_power_of_phase_modulation_is_negative() -> None:
    """cos with index b: lines b/2 each (Bessel, small b), in quadrature, so -b^2/4."""
    t = np.arange(96_000) / RATE_HZ
    found = measure(np.exp(1j * (0.7 + 0.1 * np.cos(2 * np.pi * 3000.0 * t))))
    near = np.abs(found.offset_hz - 3000.0) < 4.5 * found.bin_hz
    assert found.shared_power[near].sum() == pytest.approx(-(0.1**2) / 4, rel=0.01)


def test_what_does_not_count_is_left_out() -> None:
    meter = SpectrumMeter(RATE_HZ, keeps_rows=True)
    tone = modulated(0.5, 3000.0, seconds=3.0)
    meter.feed(tone)
    meter.feed(np.zeros(5 * 48_000, dtype=complex), counted=False)
    meter.feed(tone)
    found = meter.read(1.0)
    assert line_dbc(found, 0.0) == pytest.approx(0.0, abs=0.01)
    assert 5.6 < found.duration_s < 6.0
    assert meter.read_waterfall(1.0).duration_s == pytest.approx(11.0, abs=0.2)


@pytest.mark.parametrize("cut", [1, 77, 4096, 50_000])
def test_blocks_join_without_a_seam(cut: int) -> None:
    samples = (modulated(0.5, 1000.0, seconds=0.25) + noise(12_000, 0.1)).astype(np.complex64)
    one, other = measure(samples, cut), measure(samples, len(samples))
    for name in ("mean_power", "peak_power", "shared_power"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_reading_disturbs_nothing() -> None:
    samples = noise(24_000, 1.0)
    meter = SpectrumMeter(RATE_HZ)
    for start in range(0, len(samples), 500):
        meter.feed(samples[start : start + 500])
        meter.read(1.0)
    np.testing.assert_array_equal(meter.read(1.0).mean_power, measure(samples).mean_power)


def test_the_callers_samples_may_change_afterwards() -> None:
    samples = modulated(0.5, 1000.0).astype(np.complex64)
    meter = SpectrumMeter(RATE_HZ)
    for start in range(0, len(samples), 1000):
        block = samples[start : start + 1000].copy()
        meter.feed(block)
        block[:] = 99.0
    np.testing.assert_array_equal(meter.read(1.0).mean_power, measure(samples).mean_power)


def test_noise_density() -> None:
    """Noise of power 1 in 48 kHz."""
    found = measure(noise(40 * 48_000, 1.0))
    assert found.noise_density() == pytest.approx(1 / 48e3, rel=0.05)
    assert measure(np.zeros(10, dtype=complex)).noise_density() == 0.0


def test_ranges_taken_out_are_not_usable() -> None:
    found = measure(modulated(0.5, 1000.0)).without([(-5000.0, -4000.0), (100.0, 200.0)])
    out = found.offset_hz[~found.usable]
    assert out.min() >= -5000.0
    assert out.max() <= 200.0
    assert len(out) > 5


def test_nothing_fed_reads_nothing() -> None:
    found = SpectrumMeter(RATE_HZ).read(1.0)
    assert found.segments == 0
    assert not found.mean_power.any()


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ({"resolution_hz": 5000.0}, "resolution is 5000 Hz; it must be 1 to 1500 Hz"),
        ({"resolution_hz": 0.5}, "resolution is 0.5 Hz; it must be 1 to 1500 Hz"),
        ({"lowest_hz": 50.0}, "does not hold the carrier"),
        ({"highest_hz": -50.0}, "does not hold the carrier"),
    ],
)
def test_refusals(how: Any, message: str) -> None:
    with pytest.raises(SettingError, match=message):
        SpectrumMeter(RATE_HZ, **how)
