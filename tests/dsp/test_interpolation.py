import numpy as np
import pytest
from numpy.typing import NDArray

from carrierfloor.dsp.interpolation import FACTOR, Interpolator

Array = NDArray[np.float64]

RATE_HZ = 48_000


@pytest.mark.parametrize("frequency_hz", [100.0, 997.0, 5000.0, 10_000.0, 19_900.0])
def test_a_tone_comes_out_as_the_same_tone(frequency_hz: float) -> None:
    """The sine itself, computed at the four-fold rate, is the reference."""
    t = np.arange(4800) / RATE_HZ
    interpolator = Interpolator()
    fine = interpolator.process(np.sin(2 * np.pi * frequency_hz * t))
    fine_t = np.arange(len(fine)) / (FACTOR * RATE_HZ) - interpolator.delay_samples / RATE_HZ
    expected = np.sin(2 * np.pi * frequency_hz * fine_t)
    settled = slice(FACTOR * 100, None)
    np.testing.assert_allclose(fine[settled], expected[settled], atol=1e-4)


def test_agrees_with_zero_padding_the_spectrum() -> None:
    """For periodic band-limited noise the zero-padded spectrum gives the values in between."""
    rng = np.random.default_rng(5)
    bins = np.fft.rfft(rng.standard_normal(4800))
    bins[1900:] = 0.0  # 19 kHz
    period = np.fft.irfft(bins)
    expected = np.fft.irfft(bins, FACTOR * 4800) * FACTOR
    interpolator = Interpolator()
    fine = interpolator.process(np.tile(period, 3))
    shift = FACTOR * interpolator.delay_samples
    found = fine[shift + 4800 * FACTOR : shift + 2 * 4800 * FACTOR]
    np.testing.assert_allclose(found, expected, atol=1e-4 * np.abs(expected).max())


def test_samples_pass_unchanged() -> None:
    samples = np.random.default_rng(2).standard_normal(3000)
    interpolator = Interpolator()
    late = interpolator.delay_samples
    fine = interpolator.process(np.concatenate([samples, np.zeros(late)]))
    np.testing.assert_allclose(fine[::FACTOR][late:], samples, atol=1e-12)


@pytest.mark.parametrize("cut", [1, 7, 480, 4096])
def test_blocks_join_without_a_seam(cut: int) -> None:
    samples = np.random.default_rng(2).standard_normal(5000)
    whole = Interpolator().process(samples)
    stream = Interpolator()
    parts = [stream.process(samples[i : i + cut]) for i in range(0, len(samples), cut)]
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=1e-12)


def test_reset_forgets() -> None:
    samples = np.random.default_rng(2).standard_normal(500)
    used = Interpolator()
    first = used.process(samples)
    used.reset()
    np.testing.assert_array_equal(used.process(samples), first)
