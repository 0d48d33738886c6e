"""Storing samples: error bounds, and the statistics of triangular dither.

Reference: S. Lipshitz, R. Wannamaker and J. Vanderkooy, "Quantization and dither: a theoretical
survey", J. Audio Eng. Soc. 40, 1992: with triangular dither of two steps peak to peak the total
error has mean zero and variance 1/4 step squared, whatever the input.
"""

import numpy as np
import pytest

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.sample_format import LOSSLESS, Quantiser, SampleFormat


@pytest.mark.parametrize("name", LOSSLESS)
def test_no_error_is_larger_than_stated(name: str) -> None:
    sample_format = SampleFormat(name=name)
    samples = np.random.default_rng(2).uniform(-0.98, 0.98, 100_000)
    quantiser = Quantiser(sample_format)
    error = np.abs(quantiser.value(quantiser.process(samples)) - samples).max()
    assert error <= sample_format.largest_error + 1e-16
    assert error > 0.5 * sample_format.largest_error or name in ("FLOAT", "DOUBLE")


@pytest.mark.parametrize("value_in_steps", [0.0, 0.25, 0.5, 1000.3])
def test_dither_makes_the_error_independent_of_the_signal(value_in_steps: float) -> None:
    step = 2.0**-15
    quantiser = Quantiser(SampleFormat(name="PCM_16"))
    samples = np.full(200_000, value_in_steps * step)
    error = (quantiser.value(quantiser.process(samples)) - samples) / step
    assert error.mean() == pytest.approx(0.0, abs=0.006)  # 5 standard errors
    assert error.var() == pytest.approx(0.25, abs=0.006)


def test_24_bit_is_rounded_without_dither() -> None:
    """Halfway cases aside, rounding is to the nearest step."""
    quantiser = Quantiser(SampleFormat(name="PCM_24"))
    stored = quantiser.process(np.array([0.3, 0.7, -0.7]) * 2.0**-23)
    assert list(np.asarray(stored) // 2**8) == [0, 1, -1]


@pytest.mark.parametrize("cut", [1, 7, 4096])
def test_dither_does_not_depend_on_the_cut_into_blocks(cut: int) -> None:
    samples = np.random.default_rng(3).uniform(-1.0, 1.0, 10_000)
    whole = Quantiser(SampleFormat(name="PCM_16")).process(samples)
    quantiser = Quantiser(SampleFormat(name="PCM_16"))
    parts = [quantiser.process(samples[i : i + cut]) for i in range(0, len(samples), cut)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_beyond_full_scale_is_held_and_counted() -> None:
    quantiser = Quantiser(SampleFormat(name="PCM_24"))
    stored = quantiser.value(quantiser.process(np.array([1.5, -1.5, -1.0, 0.5])))
    np.testing.assert_array_equal(stored, [1.0 - 2.0**-23, -1.0, -1.0, 0.5])
    assert quantiser.clipped_samples == 2


def test_lossy_types_are_refused() -> None:
    with pytest.raises(SettingError, match="ULAW is not allowed"):
        SampleFormat(name="ULAW")


def test_without_dither_16_bit_is_rounded_too() -> None:
    """For frames of two channels, as a receiver's converter makes them."""
    quantiser = Quantiser(SampleFormat(name="PCM_16"), dither=False)
    frames = np.array([[0.3, 0.7], [-0.7, 2.0**16]]) * 2.0**-15
    stored = quantiser.process(frames)
    np.testing.assert_array_equal(np.asarray(stored) // 2**16, [[0, 1], [-1, 2**15 - 1]])
    assert quantiser.clipped_samples == 1
