"""Demodulation against the envelope that went into the simulated radio signal.

Reference: tests/reference/radio.py, closed-form oscillators and scipy's resampler.
"""

import numpy as np
import pytest

from carrierfloor.dsp.carrier_phase import Demodulated
from carrierfloor.dsp.demodulate import Demodulator
from carrierfloor.dsp.errors import AudioError, SettingError
from tests.reference.radio import Array, ComplexArray, Radio

FINE_HZ = 192_000.0
INNER = slice(24_000, -9600)  # away from the recording's ends


def tone(index: float, seconds: float = 2.0, rate_hz: float = FINE_HZ) -> Array:
    """An envelope, 1.0 = unmodulated; below 100 %, so that it has no corners."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.asarray(1.0 + index * np.sin(2 * np.pi * 1000.0 * t))


def demodulated(
    recording: Array | ComplexArray, rate_hz: float, block: int = 16_384, **options: float
) -> tuple[Demodulated, Demodulator]:
    demodulator = Demodulator(rate_hz, is_complex=np.iscomplexobj(recording), **options)
    starts = range(0, len(recording), block)
    parts = [demodulator.process(recording[at : at + block]) for at in starts]
    return Demodulated.joined([*parts, demodulator.finish()]), demodulator


RADIOS = [
    (True, Radio(rate_hz=48_000, offset_hz=3000, drift_hz_per_s=20)),
    (True, Radio(rate_hz=44_100, offset_hz=-2000)),
    (True, Radio(rate_hz=96_000, offset_hz=0.0)),
    (True, Radio(rate_hz=250_000, offset_hz=30_000, drift_hz_per_s=-20)),
    (True, Radio(rate_hz=1_024_000, offset_hz=-200_000, drift_hz_per_s=50)),
    (False, Radio(rate_hz=48_000, offset_hz=12_000, drift_hz_per_s=5)),
    (False, Radio(rate_hz=192_000, offset_hz=50_000)),
]


@pytest.mark.parametrize(("is_iq", "radio"), RADIOS)
def test_envelope_comes_back(is_iq: bool, radio: Radio) -> None:
    """95 % at 1 kHz, in step with the recording; the reference ratio of the two is 1."""
    envelope = tone(0.95)
    recording = (radio.iq if is_iq else radio.low_if)(envelope, FINE_HZ)
    got, demodulator = demodulated(recording, radio.rate_hz)
    expected = radio.amplitude * tone(0.95, rate_hz=48_000.0)
    assert len(got) == len(expected)
    for found in (got.in_phase, got.envelope):
        np.testing.assert_allclose(found[INNER], expected[INNER], atol=2e-4 * radio.amplitude)
    assert np.abs(got.quadrature[INNER]).max() < 0.01 * radio.amplitude
    assert got.locked.all()
    track = demodulator.track
    assert track.drift_hz_per_s == pytest.approx(radio.drift_hz_per_s, abs=0.1)
    middle_hz = radio.offset_hz + radio.drift_hz_per_s * 1.0
    assert track.mean_hz == pytest.approx(middle_hz, abs=0.05 * abs(radio.drift_hz_per_s) + 0.01)


@pytest.mark.parametrize("block", [7, 997, 48_000])
def test_cutting_the_recording_changes_no_bit(block: int) -> None:
    radio = Radio(offset_hz=1500.0, drift_hz_per_s=30.0, carrier_to_noise_db=30.0)
    recording = radio.iq(tone(0.8, 0.7), FINE_HZ)
    whole, _ = demodulated(recording, 48_000, len(recording))
    cut, _ = demodulated(recording, 48_000, block)
    np.testing.assert_array_equal(cut.in_phase, whole.in_phase)
    np.testing.assert_array_equal(cut.quadrature, whole.quadrature)
    np.testing.assert_array_equal(cut.locked, whole.locked)


def test_noise_is_not_folded_at_the_bottom() -> None:
    """A carrier held at zero: the magnitude of noise has a mean, its part in phase has none.

    For complex Gaussian noise of variance v the mean magnitude is sqrt(pi v) / 2 (Rayleigh).
    """
    rate_hz = 48_000
    off_ms = np.arange(2 * rate_hz) % 4800 < 1200  # 25 ms of every 100
    envelope = np.where(off_ms, 0.0, 1.0)
    radio = Radio(offset_hz=500.0, carrier_to_noise_db=40.0, amplitude=1.0)
    got, _ = demodulated(radio.iq(envelope, rate_hz), rate_hz)
    inside = np.zeros(len(off_ms), dtype=bool)
    for edge in range(4800, len(off_ms) - 9600, 4800):
        inside[edge + 300 : edge + 900] = True
    noise_power = 1e-4 * 2 * 8700.0 / 10_000.0  # the low-pass is 6 dB down near 8.9 kHz
    assert abs(got.in_phase[inside].mean()) < 2e-3
    assert got.envelope[inside].mean() == pytest.approx(np.sqrt(np.pi * noise_power) / 2, rel=0.1)


def test_a_drift_over_two_kilohertz_is_followed() -> None:
    radio = Radio(rate_hz=96_000, offset_hz=-4000.0, drift_hz_per_s=150.0, carrier_to_noise_db=40.0)
    got, demodulator = demodulated(radio.iq(tone(0.5, 14.0, 48_000), 48_000), 96_000)
    expected = radio.amplitude * tone(0.5, 14.0, 48_000.0)
    error = (got.in_phase - expected)[INNER]
    assert np.sqrt(np.mean(error**2)) < 0.015 * radio.amplitude  # noise: 40 dB in 10 kHz
    assert demodulator.track.highest_hz == pytest.approx(-4000 + 150 * 14, abs=50)


def test_a_carrier_that_comes_late_and_goes_away_for_a_while() -> None:
    """Nothing, noise, the carrier, noise, and the carrier elsewhere."""
    radio = Radio(offset_hz=2000.0, carrier_to_noise_db=40.0)
    other = Radio(offset_hz=-3000.0, carrier_to_noise_db=40.0, seed=2)
    noise = Radio(carrier_to_noise_db=40.0, seed=3)._noise(96_000)
    on, again = (one.iq(tone(0.5, 3.0, 48_000), 48_000) for one in (radio, other))
    got, demodulator = demodulated(
        np.concatenate([np.zeros(48_000, dtype=complex), noise, on, noise, again]), 48_000
    )
    assert not got.locked[:140_000].any()
    assert got.locked[150_000:280_000].all()
    assert not got.locked[300_000:370_000].any()
    assert got.locked[-72_000:-9600].all()
    assert demodulator.track.last_hz == pytest.approx(-3000.0, abs=0.1)
    last = tone(0.5, 3.0, 48_000)[-72_000:-9600] * radio.amplitude
    np.testing.assert_allclose(got.in_phase[-72_000:-9600], last, atol=0.06 * radio.amplitude)


def test_a_neighbour_ten_decibels_up_is_left_alone() -> None:
    """Its carrier at 15 kHz from ours is filtered out, and ours is the one that is taken."""
    radio = Radio(rate_hz=96_000, offset_hz=3000.0)
    ours = radio.iq(tone(0.9), FINE_HZ)
    neighbour = Radio(rate_hz=96_000, offset_hz=18_000.0, amplitude=radio.amplitude * 10**0.5)
    both = ours + neighbour.iq(tone(0.5), FINE_HZ)
    got, demodulator = demodulated(both, 96_000)
    assert demodulator.track.mean_hz == pytest.approx(3000.0, abs=0.01)
    expected = radio.amplitude * tone(0.9, rate_hz=48_000.0)
    np.testing.assert_allclose(
        got.in_phase[INNER], expected[INNER], atol=1e-3 * neighbour.amplitude
    )
    theirs, demodulator = demodulated(both, 96_000, carrier_hz=17_500.0)
    assert demodulator.track.mean_hz == pytest.approx(18_000.0, abs=0.01)
    assert np.mean(theirs.in_phase[INNER]) == pytest.approx(neighbour.amplitude, rel=1e-3)


@pytest.mark.parametrize("seconds", [0.0, 0.01, 0.1, 0.2401])
def test_short_recordings_come_back_in_full_length(seconds: float) -> None:
    recording = Radio(offset_hz=100.0).iq(tone(0.5, seconds), FINE_HZ)
    got, _ = demodulated(recording, 48_000)
    assert len(got) == len(recording)


def test_noise_alone_has_no_carrier() -> None:
    noise = Radio(carrier_to_noise_db=0.0)._noise(96_000)
    got, demodulator = demodulated(noise, 48_000)
    assert not got.locked.any()
    assert not demodulator.track.was_found


def test_memory_does_not_grow() -> None:
    """What waits inside is a search's worth at most."""
    demodulator = Demodulator(48_000, is_complex=True)
    recording = Radio(offset_hz=100.0).iq(tone(0.5, 1.0, 48_000), 48_000)
    given = sum(len(demodulator.process(recording)) for _ in range(20))
    assert 20 * len(recording) - given < 24_000


def test_refusals() -> None:
    for options, words in (
        ({"sample_rate_hz": 5e6}, "sample rate is 5e"),
        ({"sample_rate_hz": 48_000, "half_width_hz": 100.0}, "half width is 100 Hz"),
        ({"sample_rate_hz": 48_000, "carrier_hz": 30_000.0}, "carrier is 30000 Hz"),
    ):
        with pytest.raises(SettingError, match=words):
            Demodulator(is_complex=True, **options)
    edge = Radio(offset_hz=23_500.0).low_if(tone(0.0, 0.5), FINE_HZ)
    with pytest.raises(AudioError, match="500 Hz from the end of the recorded band"):
        demodulated(edge, 48_000)
