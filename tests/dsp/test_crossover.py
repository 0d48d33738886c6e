"""The crossover against scipy's filters and its own promise."""

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.crossover import crossover_coefficients, crossover_state, split
from carrierfloor.dsp.stage import HOP
from tests.dsp.level_signals import RATE_HZ, Audio, noise


def bands(audio: Audio, crossover_hz: float) -> tuple[Audio, Audio]:
    coefficients, state = crossover_coefficients(crossover_hz), crossover_state()
    low, high = np.empty(len(audio)), np.empty(len(audio))
    for at in range(0, len(audio), HOP):
        cut = slice(at, at + HOP)
        split(coefficients, state, audio[cut], low[cut], high[cut])
    return low, high


@pytest.mark.parametrize("crossover_hz", [300.0, 1000.0, 3000.0])
def test_each_band_is_two_butterworth_filters(crossover_hz: float) -> None:
    """scipy.signal.butter, run twice."""
    audio = noise(-20, 0.5)
    for band, kind in zip(bands(audio, crossover_hz), ("low", "high"), strict=True):
        sections = signal.butter(2, crossover_hz, kind, fs=RATE_HZ, output="sos")
        twice = signal.sosfilt(sections, signal.sosfilt(sections, audio))
        np.testing.assert_allclose(band, twice, atol=1e-9)


def test_bands_add_up_to_an_all_pass_and_meet_at_minus_6_db() -> None:
    """Linkwitz (1976): at the crossover each is one half and both are in phase."""
    impulse = np.zeros(RATE_HZ)
    impulse[0] = 1.0
    low, high = (np.fft.rfft(band) for band in bands(impulse, 1000.0))
    np.testing.assert_allclose(np.abs(low + high), 1.0, atol=1e-9)
    assert abs(low[1000]) == pytest.approx(0.5, abs=1e-9)  # bins are 1 Hz apart
    assert abs(high[1000]) == pytest.approx(0.5, abs=1e-9)
