"""The decimator: flat where it must pass, closed where something would fold, in step, seamless."""

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.decimator import Decimator
from tests.reference.radio import ComplexArray

RATE_HZ = 2_400_000.0
PASS_HZ = 24_000.0


def kept(samples: ComplexArray, factor: int, cut: int) -> ComplexArray:
    decimator = Decimator(factor, RATE_HZ, PASS_HZ)
    parts = [decimator.process(samples[at : at + cut]) for at in range(0, len(samples), cut)]
    return np.concatenate([*parts, decimator.finish()])


def test_filter_against_scipy() -> None:
    """Within 1e-4 up to 24 kHz, 89 dB down where something would fold onto that."""
    decimator = Decimator(16, RATE_HZ, PASS_HZ)
    frequency_hz, response = signal.freqz(decimator._taps, worN=1 << 16, fs=RATE_HZ)
    assert np.abs(np.abs(response[frequency_hz <= PASS_HZ]) - 1.0).max() < 1e-4
    assert 20 * np.log10(np.abs(response[frequency_hz >= RATE_HZ / 16 - PASS_HZ]).max()) < -89.0


@pytest.mark.parametrize("factor", [2, 7, 16])
def test_a_tone_stays_in_step(factor: int) -> None:
    n = np.arange(60_000)
    tone = np.exp(2j * np.pi * 17_000.0 * n / RATE_HZ)
    got = kept(tone, factor, 5000)
    assert len(got) == -(-len(tone) // factor)
    inner = slice(len(got) // 4, -len(got) // 4)
    np.testing.assert_allclose(got[inner], tone[::factor][inner], atol=1e-4)


@pytest.mark.parametrize("cut", [1, 7, 4096])
def test_blocks_join_without_a_seam(cut: int) -> None:
    random = np.random.default_rng(1)
    noise = random.normal(size=3000) + 1j * random.normal(size=3000)
    np.testing.assert_array_equal(kept(noise, 16, cut), kept(noise, 16, 3000))


def test_factor_one_passes_everything() -> None:
    noise = np.random.default_rng(1).normal(size=100).astype(complex)
    np.testing.assert_array_equal(kept(noise, 1, 10), noise)
