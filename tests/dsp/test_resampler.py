"""The resampler against the tone that it should give, known in closed form."""

import numpy as np
import pytest

from carrierfloor.dsp.resampler import ComplexResampler, Resampler, highest_passed_hz
from carrierfloor.dsp.stage import Block

RATES_HZ = [8000, 11_025, 16_000, 22_050, 44_100, 96_000, 192_000]


def burst(frequency_hz: float, rate_hz: float, seconds: float = 0.5) -> Block:
    """A tone in a smooth window of a given length, sampled from time 0."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    window = np.sin(np.pi * t / seconds) ** 4
    return np.asarray(window * np.sin(2 * np.pi * frequency_hz * t))


def resampled(samples: Block, input_hz: float, output_hz: float, cut: int) -> Block:
    resampler = Resampler(input_hz, output_hz)
    parts = [resampler.process(samples[i : i + cut]) for i in range(0, len(samples), cut)]
    return np.concatenate([*parts, resampler.finish()])


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_stated_band_passes_in_step(rate_hz: int) -> None:
    """In time to the sample; soxr is a little less exact where the rates are no simple ratio."""
    tolerance = 1e-3 if rate_hz % 11_025 == 0 else 1e-6
    for input_hz, output_hz in ((48_000, rate_hz), (rate_hz, 48_000)):
        edge_hz = highest_passed_hz(min(rate_hz, 48_000))
        got = resampled(burst(edge_hz, input_hz), input_hz, output_hz, 1000)
        expected = burst(edge_hz, output_hz)
        assert abs(len(got) - len(expected)) <= 1 + output_hz / input_hz
        n = min(len(got), len(expected))
        np.testing.assert_allclose(got[:n], expected[:n], atol=tolerance)


@pytest.mark.parametrize("cut", [1, 7, 4096])
def test_the_cut_into_blocks_changes_nothing(cut: int) -> None:
    noise = np.random.default_rng(5).standard_normal(5000)
    whole = resampled(noise, 44_100, 48_000, len(noise))
    np.testing.assert_array_equal(resampled(noise, 44_100, 48_000, cut), whole)


def test_equal_rates_change_nothing() -> None:
    noise = np.random.default_rng(6).standard_normal(500)
    np.testing.assert_array_equal(resampled(noise, 48_000, 48_000, 7), noise)


@pytest.mark.parametrize("cut", [7, 4096])
def test_complex_samples_go_the_same_way_as_real_ones(cut: int) -> None:
    random = np.random.default_rng(7)
    real, imaginary = random.standard_normal((2, 5000))
    resampler = ComplexResampler(44_100, 48_000)
    mixed = real + 1j * imaginary
    parts = [resampler.process(mixed[i : i + cut]) for i in range(0, len(mixed), cut)]
    got = np.concatenate([*parts, resampler.finish()])
    np.testing.assert_array_equal(got.real, resampled(real, 44_100, 48_000, cut))
    np.testing.assert_array_equal(got.imag, resampled(imaginary, 44_100, 48_000, cut))
    np.testing.assert_array_equal(ComplexResampler(48_000, 48_000).process(mixed), mixed)
