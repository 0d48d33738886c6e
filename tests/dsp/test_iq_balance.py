"""The mirror image of an IQ receiver, made by its own formula z = s + k conj(s)."""

import numpy as np
import pytest

from carrierfloor.dsp.iq_balance import find_image, without_image
from carrierfloor.dsp.mixer import Complex

RATE_HZ = 48_000


def carrier(offset_hz: float, noise: float = 1e-3, seconds: float = 2.0) -> Complex:
    """A carrier with a tone of 90 %, and noise."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    random = np.random.default_rng(3)
    hiss = noise * (random.normal(size=len(t)) + 1j * random.normal(size=len(t)))
    envelope = 1.0 + 0.9 * np.sin(2 * np.pi * 1000.0 * t)
    return np.asarray(envelope * np.exp(2j * np.pi * offset_hz * t + 1j) + hiss)


@pytest.mark.parametrize("image", [0.002, 0.02 * np.exp(0.4j), -0.1j])
@pytest.mark.parametrize("offset_hz", [10.0, 3000.0])
def test_image_is_found_and_taken_out(image: complex, offset_hz: float) -> None:
    clean = carrier(offset_hz)
    recorded = clean + image * np.conj(clean)
    found = find_image(recorded)
    assert abs(found - image) < 0.02 * abs(image) + 2e-4
    left = without_image(recorded, found) - clean
    assert np.sqrt(np.mean(np.abs(left) ** 2)) < 0.04 * abs(image) + 3e-4


@pytest.mark.parametrize("offset_hz", [0.0, 0.05, 0.2, 0.5, 1.0, 3.0, 500.0])
def test_nothing_is_found_where_there_is_none(offset_hz: float) -> None:
    """A carrier near the middle turns slowly: its square has a mean, but no image has that."""
    assert find_image(carrier(offset_hz)) == 0.0


def test_noise_and_constants_have_no_image() -> None:
    random = np.random.default_rng(1)
    noise = random.normal(size=96_000) + 1j * random.normal(size=96_000)
    assert find_image(noise) == 0.0
    assert find_image(carrier(3000.0) + 2.0 - 1.0j) == 0.0
    assert find_image(np.zeros(96_000, dtype=complex)) == 0.0
    assert find_image(np.ones(3, dtype=complex)) == 0.0


def test_a_sideband_where_the_image_would_be_is_no_image() -> None:
    """Carrier and tone at 1 kHz: the lower line at twice the tone lies at -1 kHz."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    envelope = np.maximum(0.0, 1.0 + 1.25 * np.sin(2 * np.pi * 1000.0 * t))
    sent = envelope * np.exp(2j * np.pi * 1000.0 * t)
    assert find_image(sent) == 0.0
    recorded = carrier(1700.0) + 0.02 * np.conj(carrier(1700.0))
    assert abs(find_image(recorded) - 0.02) < 1e-3
