"""Speech-shaped noise against the published table."""

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.speech_noise import SpeechNoise
from tests.clips import Array

# Byrne et al., JASA 96:2108 (1994), table 2, typed in once more; third octaves 63 Hz to 16 kHz.
TABLE_DB = """38.6 43.5 54.4 57.7 56.8 60.2 60.3 59.0 62.1 62.1 60.5 56.8 53.7
53.0 52.0 48.7 48.1 46.8 45.6 44.5 44.3 43.7 43.4 41.3 40.7"""
BYRNE_DB = np.array([float(word) for word in TABLE_DB.split()])
CENTRES_HZ = 1000.0 * 10.0 ** (np.arange(-12, 13) / 10.0)


def band_levels_db(samples: Array, rate_hz: int) -> Array:
    """Power in third octaves by Welch's method, relative to all of them."""
    frequency_hz, density = signal.welch(samples, rate_hz, nperseg=2 * rate_hz)
    step_hz = frequency_hz[1]
    edge = 10.0**0.05
    powers = np.array(
        [
            density[(frequency_hz >= c / edge) & (frequency_hz < c * edge)].sum() * step_hz
            for c in CENTRES_HZ
        ]
    )
    return np.asarray(10.0 * np.log10(powers / powers.sum()))


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_third_octaves_are_those_of_the_table(rate_hz: int) -> None:
    """Byrne et al. 1994, table 2: 70 dB in all."""
    assert 10 * np.log10(np.sum(10 ** (BYRNE_DB / 10))) == pytest.approx(70.03, abs=0.005)
    noise = SpeechNoise(lowest_hz=50.0, highest_hz=20_000.0, sample_rate_hz=rate_hz)
    got_db = band_levels_db(noise.at(0, 32 * rate_hz), rate_hz) + 70.03
    np.testing.assert_allclose(got_db, BYRNE_DB, atol=0.4)  # Welch's window smears the steps
    np.testing.assert_allclose(got_db[5:], BYRNE_DB[5:], atol=0.1)


def test_nothing_outside_the_band() -> None:
    noise = SpeechNoise(lowest_hz=300.0, highest_hz=3000.0, sample_rate_hz=48_000)
    line = np.abs(np.fft.rfft(noise.at(0, 8 * 48_000)))  # one period: no leakage
    frequency_hz = np.arange(len(line)) / 8.0
    outside = (frequency_hz < 300.0) | (frequency_hz > 3000.0)
    assert line[outside].max() < 1e-9 * line.max()


@pytest.mark.parametrize("rate_hz", [8000, 48_000])
def test_peak_rms_and_crest(rate_hz: int) -> None:
    """Noise of random phases has samples like a normal distribution: 0.27 % beyond 3 sigma."""
    noise = SpeechNoise(lowest_hz=100.0, highest_hz=3500.0, sample_rate_hz=rate_hz)
    period = noise.at(0, 8 * rate_hz)
    fine = signal.resample(period, 8 * len(period))
    assert np.abs(fine).max() == pytest.approx(1.0, abs=0.005)
    assert np.abs(period).max() <= 1.0
    assert np.std(period) == pytest.approx(noise.rms, rel=1e-12)
    assert np.mean(np.abs(period) > 3 * noise.rms) == pytest.approx(0.0027, abs=0.0006)
    assert noise.peak_after(Path(name="flat")) == pytest.approx(1.0, abs=1e-12)


def test_a_band_without_speech_is_refused() -> None:
    with pytest.raises(SettingError, match="the spectrum of speech is known from"):
        SpeechNoise(lowest_hz=15_000.0, highest_hz=20_000.0, sample_rate_hz=48_000)
    with pytest.raises(SettingError, match=r"at least 1\.1 times lowest"):
        SpeechNoise(lowest_hz=1000.0, highest_hz=1010.0, sample_rate_hz=48_000)
