"""The second speech level meter and the operator's remedies do what they say."""

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from tests.reference import antenna, remedies
from tests.reference.speech_level import active_rms

RATE_HZ = 48_000


def tone(length_s: float, level: float = 0.1, frequency_hz: float = 800.0) -> remedies.Array:
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return np.asarray(level * np.sin(2 * np.pi * frequency_hz * t))


def test_steady_tone_is_active_all_the_time() -> None:
    assert active_rms(tone(10), RATE_HZ) == pytest.approx(0.1 / np.sqrt(2), rel=0.01)


def test_pauses_do_not_count() -> None:
    """A tone for half of the time has the level of the tone, less the hangover and run-in."""
    half = np.concatenate([tone(3), np.zeros(3 * RATE_HZ)] * 4)
    assert active_rms(half, RATE_HZ) == pytest.approx(0.1 / np.sqrt(2), rel=0.06)
    assert active_rms(np.zeros(1000), RATE_HZ) == 0.0


def test_open_speech_has_its_published_level() -> None:
    """tests/open_speech/README.md: -26.1 dBFS for F1, found with another meter."""
    samples, rate_hz = sf.read(Path(__file__).parents[1] / "open_speech/F1_harvard_phrases.flac")
    assert 20 * np.log10(active_rms(samples, rate_hz)) == pytest.approx(-26.1, abs=0.1)


def test_band_limit_keeps_and_removes() -> None:
    np.testing.assert_allclose(
        remedies.band_limit(tone(1), RATE_HZ, 4000, 5000)[9600:-9600],
        tone(1)[9600:-9600],
        atol=1e-4,
    )
    high = remedies.band_limit(tone(1, frequency_hz=6000), RATE_HZ, 4000, 5000)
    assert np.abs(high[9600:-9600]).max() < 1e-4


def test_compressor_has_its_ratio() -> None:
    """Two long tones 12 dB apart come out 3 dB apart at 4:1."""
    both = np.concatenate((tone(2, 0.4), tone(2, 0.1)))
    out = remedies.compress(both, RATE_HZ, ratio=4.0)
    loud, soft = (out[at : at + RATE_HZ].std() for at in (RATE_HZ // 2, 5 * RATE_HZ // 2))
    assert 20 * np.log10(loud / soft) == pytest.approx(20 * np.log10(4) / 4, abs=0.05)


def test_diode_has_the_density_asked_for() -> None:
    voice = tone(2, 1.0, 300.0) * (0.3 + np.abs(tone(2, 0.7, 1.3)))
    gain = remedies.gain_for_density(voice, RATE_HZ, [], 0.95, 0.6)
    after_path = antenna.modulation(gain * voice, RATE_HZ, 1.0, [], oversampling=1)
    held = remedies.diode(after_path, 0.95)
    assert held.min() == -0.95
    assert active_rms(held, RATE_HZ) == pytest.approx(0.6, rel=1e-3)
