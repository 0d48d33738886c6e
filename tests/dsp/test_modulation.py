"""The modulation meter against sines, whose every figure has a closed form."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from carrierfloor.dsp.interpolation import FINE_RATE_HZ, Interpolator
from carrierfloor.dsp.modulation import TIMES_KEPT, ModulationMeter, ModulationReading

Array = NDArray[np.float64]

RATE_HZ = 48_000


def read(modulation: Array, cut: int = 4096) -> ModulationReading:
    """Measure m(t) given at 48 kHz."""
    interpolator = Interpolator()
    late = interpolator.delay_samples
    meter = ModulationMeter(-late / RATE_HZ)
    padded = np.concatenate([modulation, np.zeros(late + 100)])
    for start in range(0, len(padded), cut):
        meter.feed(interpolator.process(padded[start : start + cut]))
    return meter.read()


def faded_tone(amplitude: float, frequency_hz: float, phase: float, seconds: float = 1.0) -> Array:
    """A tone that begins and ends without a step, so that its peak is its amplitude."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    fade = np.minimum(1.0, np.minimum(t, t[-1] - t) / 0.1)
    shape: Array = amplitude * np.sin(np.pi / 2 * fade) ** 2
    return shape * np.sin(2 * np.pi * frequency_hz * t + phase)


@pytest.mark.parametrize("phase_deg", [0.0, 45.0, 67.5, 90.0])
@pytest.mark.parametrize("frequency_hz", [1000.0, 6000.0, 8000.0, 12_000.0, 16_000.0])
def test_true_peaks_of_tones(frequency_hz: float, phase_deg: float) -> None:
    """A sine's peak is its amplitude wherever the samples fall.

    EBU Tech 3341 cases 15 to 19 are such tones: fs/4 at 45 degrees, fs/6 at 60, fs/8 at 67.5.
    """
    reading = read(faded_tone(0.8, frequency_hz, math.radians(phase_deg)))
    tolerance = 3e-4 if frequency_hz <= 12_000.0 else 2e-3
    assert reading.positive_peak == pytest.approx(0.8, rel=tolerance)
    assert reading.negative_peak == pytest.approx(0.8, rel=tolerance)


def test_asymmetric_peaks_read_separately() -> None:
    """cos x + 0.25 cos 2x: crest 1.25 at 0, trough -0.75 at pi (NEETS module 21 definitions)."""
    modulation = faded_tone(1.0, 500.0, np.pi / 2) + faded_tone(0.25, 1000.0, np.pi / 2)
    reading = read(modulation)
    assert reading.positive_peak == pytest.approx(1.25, rel=1e-5)
    assert reading.negative_peak == pytest.approx(0.75, rel=1e-5)
    inverted = read(-modulation)
    assert inverted.negative_peak == pytest.approx(reading.positive_peak, abs=1e-12)
    assert inverted.positive_peak == pytest.approx(reading.negative_peak, abs=1e-12)


def test_peak_times() -> None:
    """A Gaussian pulse up at 0.3 s and a deeper one down at 0.7 s."""
    t = np.arange(RATE_HZ) / RATE_HZ
    pulses = 0.5 * np.exp(-(((t - 0.30001) / 1e-4) ** 2)) - np.exp(-(((t - 0.70001) / 1e-4) ** 2))
    reading = read(0.9 * pulses)
    assert reading.positive_peak_s == pytest.approx(0.30001, abs=6e-6)
    assert reading.negative_peak_s == pytest.approx(0.70001, abs=6e-6)
    assert reading.negative_peak == pytest.approx(0.9, rel=1e-3)


def test_one_short_cut_off_is_found_timed_and_measured() -> None:
    """A parabola-like pulse of depth 1.01: -1.01 exp(-u^2) is under -1 for |u| < sqrt(ln 1.01)."""
    t = np.arange(RATE_HZ) / RATE_HZ
    width_s = 2e-4
    reading = read(-1.01 * np.exp(-(((t - 0.4) / width_s) ** 2)))
    half_s = width_s * math.sqrt(math.log(1.01))
    assert reading.cutoffs == 1
    assert reading.cutoff_total_s == pytest.approx(2 * half_s, rel=0.02)
    assert reading.cutoff_longest_s == reading.cutoff_total_s
    assert reading.cutoff_times_s == pytest.approx((0.4 - half_s,), abs=1e-6)


def test_a_cut_off_between_the_points_of_the_grid_counts() -> None:
    """A trough of 1.00001 whose neighbours on the grid stay above -1."""
    x = np.arange(-200, 201) / FINE_RATE_HZ
    meter = ModulationMeter()
    for shift in (0.5, 0.3):
        meter.feed(-1.00001 + 4e7 * (x - shift / FINE_RATE_HZ) ** 2)
    reading = meter.read()
    assert reading.negative_peak == pytest.approx(1.00001, abs=1e-9)
    assert reading.cutoffs == 2
    assert reading.cutoff_total_s == pytest.approx(4 * math.sqrt(1e-5 / 4e7), rel=1e-6)


def test_a_limit_of_99_pct_has_no_cut_off() -> None:
    reading = read(faded_tone(0.99, 1234.0, 0.0))
    assert reading.cutoffs == 0
    assert reading.cutoff_total_s == 0.0
    assert reading.cutoff_times_s == ()


def test_all_cut_offs_are_counted_and_the_first_times_kept() -> None:
    """3000 Hz for a second at 120 %: one cut-off a cycle."""
    reading = read(faded_tone(1.2, 3000.0, 0.0))
    inside = 3000 * (1 - 0.2) + 2 * 3000 * 0.1 * (1 - math.asin(math.sqrt(1 / 1.2)) * 2 / math.pi)
    assert reading.cutoffs == pytest.approx(inside, abs=3)
    assert len(reading.cutoff_times_s) == TIMES_KEPT
    assert all(np.diff(reading.cutoff_times_s) > 0)


def test_a_cut_off_that_goes_on_counts_up_to_now() -> None:
    meter = ModulationMeter()
    meter.feed(np.concatenate([np.zeros(100), np.full(1920, -1.5)]))
    reading = meter.read()
    assert reading.cutoffs == 1
    assert reading.cutoff_total_s == pytest.approx(0.01, abs=1e-5)
    meter.feed(np.full(1920, -1.5))
    assert meter.read().cutoffs == 1
    assert meter.read().cutoff_total_s == pytest.approx(0.02, abs=1e-5)


def test_sums_of_a_sine() -> None:
    """rms A / sqrt 2, mean 0, mean power 1 + A^2 / 2, peak power (1 + A)^2."""
    t = np.arange(RATE_HZ) / RATE_HZ
    reading = read(0.6 * np.sin(2 * np.pi * 100.0 * t))
    assert reading.rms == pytest.approx(0.6 / math.sqrt(2), rel=2e-3)
    assert reading.mean == pytest.approx(0.0, abs=1e-6)
    assert reading.power_ratio == pytest.approx(1.18, rel=2e-3)
    assert reading.carrier_ratio == pytest.approx(1.0, abs=1e-6)
    assert reading.pep_ratio == pytest.approx(1.6**2, rel=1e-3)


def test_percentiles_of_a_sine() -> None:
    """A sine lies below A sin(pi (p - 1/2)) for the part p of the time (arcsine distribution)."""
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    reading = read(0.7 * np.sin(2 * np.pi * 101.0 * t))
    for pct in (1.0, 10.0, 25.0, 50.0, 75.0, 90.0, 99.0):
        expected = 0.7 * math.sin(math.pi * (pct / 100 - 0.5))
        assert reading.percentile(pct) == pytest.approx(expected, abs=0.01)
    assert int(reading.histogram.sum()) == 10 * RATE_HZ + Interpolator.delay_samples + 100


def test_far_out_values_go_to_the_last_bins() -> None:
    meter = ModulationMeter()
    meter.feed(np.array([50.0] * 4 + [-50.0] * 8))
    histogram = meter.read().histogram
    assert (histogram[0], histogram[-1], histogram.sum()) == (2, 1, 3)


@pytest.mark.parametrize("cut", [1, 7, 480])
def test_blocks_join_without_a_seam(cut: int) -> None:
    samples = 0.7 * np.random.default_rng(4).standard_normal(3000)
    whole, parts = read(samples), read(samples, cut)
    assert parts.positive_peak == pytest.approx(whole.positive_peak, abs=1e-12)
    assert parts.negative_peak == pytest.approx(whole.negative_peak, abs=1e-12)
    assert parts.cutoffs == whole.cutoffs > 100
    assert parts.cutoff_total_s == pytest.approx(whole.cutoff_total_s, abs=1e-12)
    np.testing.assert_allclose(parts.cutoff_times_s, whole.cutoff_times_s, atol=1e-12)
    np.testing.assert_array_equal(parts.histogram, whole.histogram)
    assert parts.power_ratio == pytest.approx(whole.power_ratio, abs=1e-12)


def test_agrees_with_a_plain_search_on_noise() -> None:
    """Peaks and cut-offs of the same points, searched with numpy."""
    bins = np.fft.rfft(np.random.default_rng(11).standard_normal(2 * RATE_HZ))
    bins[16_000:] = 0.0  # 8 kHz
    noise = np.fft.irfft(bins)
    fine = Interpolator().process(0.6 * noise / np.std(noise))
    meter = ModulationMeter()
    meter.feed(fine)
    reading = meter.read()
    off = fine <= -1.0
    plain = np.count_nonzero(off[1:] & ~off[:-1])
    assert plain <= reading.cutoffs <= plain + 30  # and those between two points
    assert reading.cutoff_total_s == pytest.approx(np.mean(off) * len(off) / FINE_RATE_HZ, rel=0.02)
    assert fine.max() <= reading.positive_peak <= 1.02 * fine.max()
    assert -fine.min() <= reading.negative_peak <= -1.02 * fine.min()


def test_reset_and_silence() -> None:
    meter = ModulationMeter()
    meter.feed(np.full(400, -1.2))
    meter.reset()
    meter.feed(np.zeros(400))
    reading = meter.read()
    assert (reading.cutoffs, reading.negative_peak, reading.positive_peak) == (0, 0.0, 0.0)
    assert reading.power_ratio == 1.0
    assert ModulationMeter().read().percentile(50.0) == 0.0


def test_another_grid_gives_the_same_times() -> None:
    """1.25 cos x of 1 kHz on 768 kHz: off for arccos(1/1.25)/pi of each cycle, from 0.398 ms on."""
    rate_hz = 768_000.0
    meter = ModulationMeter(1.0, rate_hz)
    meter.feed(1.25 * np.cos(2 * np.pi * 1000.0 * np.arange(7680) / rate_hz))
    reading = meter.read()
    off = math.acos(-1.0 / 1.25) / (2.0 * math.pi)  # of a cycle
    assert reading.duration_s == pytest.approx(0.01)
    assert reading.cutoff_times_s[0] == pytest.approx(1.0 + off / 1000.0, abs=1e-8)
    assert reading.cutoff_total_s == pytest.approx(0.01 * (1.0 - 2.0 * off), abs=1e-7)
    assert reading.cutoff_longest_s == pytest.approx(0.001 * (1.0 - 2.0 * off), abs=1e-7)
