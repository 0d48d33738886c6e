"""Finding a carrier, against the tone that was put in."""

import numpy as np
import pytest

from carrierfloor.dsp.carrier_search import find_carrier
from carrierfloor.dsp.carrier_track import CarrierTrack
from tests.reference.radio import Radio

RATE_HZ = 96_000.0
TOP_HZ = RATE_HZ / 2


@pytest.mark.parametrize("frequency_hz", [-20_000.3, -777.7, 0.0, 1.9, 41_234.5])
@pytest.mark.parametrize("seconds", [0.05, 0.24])
def test_frequency_and_amplitude(frequency_hz: float, seconds: float) -> None:
    """95 % modulated at 1 kHz, 40 dB over the noise of 10 kHz; bins are 20 and 4 Hz apart."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    envelope = 1.0 + 0.95 * np.sin(2 * np.pi * 1000.0 * t)
    radio = Radio(rate_hz=RATE_HZ, offset_hz=frequency_hz, carrier_to_noise_db=40.0)
    found = find_carrier(radio.iq(envelope, RATE_HZ), RATE_HZ, -TOP_HZ, TOP_HZ)
    assert found is not None
    assert found.frequency_hz == pytest.approx(frequency_hz, abs=0.05 / seconds)
    # Between two bins a Hann window loses up to 1.4 dB, most of which the parabola brings back.
    assert found.amplitude == pytest.approx(radio.amplitude, rel=0.05)
    assert found.above_noise_db > 30.0


def test_real_recordings_have_one_side() -> None:
    radio = Radio(rate_hz=RATE_HZ, offset_hz=12_000.0, carrier_to_noise_db=40.0)
    found = find_carrier(radio.low_if(np.ones(24_000), RATE_HZ), RATE_HZ, 1000.0, TOP_HZ)
    assert found is not None
    assert found.frequency_hz == pytest.approx(12_000.0, abs=0.05)
    assert found.amplitude == pytest.approx(radio.amplitude, rel=0.05)


@pytest.mark.parametrize("seed", range(20))
def test_noise_has_no_line(seed: int) -> None:
    random = np.random.default_rng(seed)
    noise = random.normal(size=24_000) + 1j * random.normal(size=24_000)
    assert find_carrier(noise, RATE_HZ, -TOP_HZ, TOP_HZ) is None
    assert find_carrier(np.zeros(24_000, dtype=complex), RATE_HZ, -TOP_HZ, TOP_HZ) is None


def test_lines_far_from_the_middle_win_only_if_much_stronger() -> None:
    t = np.arange(24_000) / RATE_HZ
    noise = 1e-4 * np.random.default_rng(1).normal(size=(2, len(t)))
    ours = 0.1 * np.exp(2j * np.pi * 3000 * t) + noise[0] + 1j * noise[1]
    for factor, expected_hz in ((3.0, 3000.0), (30.0, 30_000.0)):
        other = factor * 0.1 * np.exp(2j * np.pi * 30_000 * t)
        found = find_carrier(ours + other, RATE_HZ, -TOP_HZ, TOP_HZ)
        assert found is not None
        assert found.frequency_hz == pytest.approx(expected_hz, abs=0.1)


def test_track_is_a_straight_line_through_what_was_seen() -> None:
    track = CarrierTrack()
    assert not track.was_found
    for number in range(1000):
        t = 50.0 + 0.02 * number
        track.add(t, 3000.0 + 7.0 * t + (0.5 if number % 2 else -0.5))
    assert track.drift_hz_per_s == pytest.approx(7.0, abs=1e-3)
    assert track.mean_hz == pytest.approx(3000.0 + 7.0 * (50.0 + 0.02 * 499.5), abs=1e-6)
    assert track.lowest_hz == track.first_hz == pytest.approx(3349.5)
    track.begin(100.0, 500.0, 2.0)
    assert track.expected_hz(103.0) == pytest.approx(506.0)
