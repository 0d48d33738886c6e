"""The simulated way to the receiver against closed forms."""

import numpy as np
import pytest

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.simulated_channel import ChannelDesign, SimulatedChannel
from carrierfloor.dsp.simulated_noise import BandNoise, WhiteNoise
from carrierfloor.dsp.stage import Block

RATE_HZ = 96_000.0


def received(envelope: Block, first: int = 0, **settings: float) -> Complex:
    return SimulatedChannel(ChannelDesign(**settings), RATE_HZ, first).process(envelope)


def test_carrier_drifts_on_a_parabola_of_phase() -> None:
    first, t = 7_000_000, (7_000_000 + np.arange(5000)) / RATE_HZ
    got = received(np.full(5000, 0.7), first, offset_hz=3000.0, drift_hz_per_s=20.0)
    phase = 2.0 * np.pi * (3000.0 * t + 0.5 * 20.0 * t * t)
    np.testing.assert_allclose(got, 0.7 * np.exp(1j * phase), atol=1e-6)


def test_two_rays_fade_by_their_depth_and_keep_the_mean_power() -> None:
    """|1 + r exp(jx)| lies between 1 - r and 1 + r; its mean square is 1 + r^2."""
    n = round(RATE_HZ)
    got = np.abs(received(np.ones(n), fading_db=12.0, fading_hz=2.0))
    assert 20.0 * np.log10(got.max() / got.min()) == pytest.approx(12.0, abs=1e-3)
    assert np.mean(got**2) == pytest.approx(1.0, abs=1e-9)
    assert int(np.argmin(got)) % (n // 2) == n // 4  # rays against each other half a turn in


def test_delayed_ray_cuts_a_notch_into_the_sidebands() -> None:
    """1 ms late, no beat: gain |1 + r exp(-jwd)| / sqrt(1 + r^2), a notch at 500 Hz."""
    t = np.arange(9600) / RATE_HZ
    for hz in (260.0, 500.0, 1000.0):
        envelope = 1.0 + 0.5 * np.cos(2.0 * np.pi * hz * t)
        got = received(envelope, fading_db=20.0, fading_hz=0.0, fading_delay_ms=1.0)[4800:]
        r = 9.0 / 11.0
        gain = abs(1.0 + r * np.exp(-2j * np.pi * hz * 1e-3)) / np.sqrt(1.0 + r * r)
        line = 2.0 * np.abs(np.fft.fft(got))[round(hz * 0.05)] / 4800
        assert line == pytest.approx(0.5 * gain, abs=1e-9)


def test_neighbour_stands_where_it_should() -> None:
    """10 dB over a carrier of 1, at 3 + 15 kHz."""
    got = received(np.zeros(96_000), offset_hz=3000.0, neighbour_db=10.0, neighbour_hz=15_000.0)
    lines = np.abs(np.fft.fft(got)) / len(got)
    assert int(np.argmax(lines)) == 18_000
    assert 20.0 * np.log10(lines[18_000]) == pytest.approx(10.0, abs=1e-6)
    assert 20.0 * np.log10(lines[18_431]) == pytest.approx(10.0 + 20.0 * np.log10(0.2), abs=1e-6)


def test_neighbour_must_fit_into_the_stream() -> None:
    with pytest.raises(SettingError, match=r"neighbour is at 47000 Hz; .* within 46000 Hz"):
        received(np.zeros(1), neighbour_db=0.0, neighbour_hz=47_000.0)


def test_noise_has_the_power_that_the_ratio_says() -> None:
    """40 dB in 10 kHz; 400 000 complex samples: the power is within 1 % in all but 1e-9 cases."""
    design = ChannelDesign(carrier_to_noise_db=40.0)
    noise = WhiteNoise(design.noise_rms(RATE_HZ), np.random.default_rng(3)).take(400_000)
    expected = 1e-4 * RATE_HZ / 10_000.0
    assert np.mean(np.abs(noise) ** 2) == pytest.approx(expected, rel=0.01)
    assert np.mean(noise.real**2) == pytest.approx(expected / 2.0, rel=0.015)


def test_noise_of_a_band_is_flat_in_it_and_ends_there() -> None:
    """Density 1/10 kHz for a power of 1; three sigma of 20 000 bins are 2 %."""
    noise = BandNoise(1.0, 10_000.0, RATE_HZ, np.random.default_rng(4)).take(480_000)
    power = np.abs(np.fft.fft(noise * np.hanning(len(noise))) / len(noise)) ** 2 / 0.375
    offset_hz = np.abs(np.fft.fftfreq(len(noise), 1.0 / RATE_HZ))
    inside = power[offset_hz < 4000.0].sum() * 10_000.0 / 8000.0
    assert inside == pytest.approx(1.0, rel=0.03)
    assert power[offset_hz > 6000.0].sum() < 1e-9


@pytest.mark.parametrize("cut", [1, 7, 4096])
def test_cutting_the_stream_changes_no_bit(cut: int) -> None:
    settings = {
        "fading_db": 10.0,
        "fading_delay_ms": 1.0,
        "offset_hz": 1234.5,
        "drift_hz_per_s": -20.0,
        "neighbour_db": 3.0,
    }
    envelope = np.abs(np.random.default_rng(1).standard_normal(5000))
    whole = received(envelope, -100, **settings)
    channel = SimulatedChannel(ChannelDesign(**settings), RATE_HZ, -100)
    noise = BandNoise(1.0, 10_000.0, RATE_HZ, np.random.default_rng(4))
    expected = BandNoise(1.0, 10_000.0, RATE_HZ, np.random.default_rng(4)).take(len(envelope))
    pieces = [envelope[at : at + cut] for at in range(0, len(envelope), cut)]
    np.testing.assert_array_equal(np.concatenate([channel.process(p) for p in pieces]), whole)
    np.testing.assert_array_equal(np.concatenate([noise.take(len(p)) for p in pieces]), expected)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("carrier_to_noise_db", -30.0),
        ("noise_bandwidth_hz", 0.0),
        ("fading_db", 61.0),
        ("fading_hz", -1.0),
        ("fading_delay_ms", 21.0),
        ("offset_hz", 2e6),
        ("drift_hz_per_s", 2e4),
        ("neighbour_db", 81.0),
        ("imbalance_pct", -1.0),
    ],
)
def test_refuses_what_is_out_of_range(key: str, value: float) -> None:
    with pytest.raises(SettingError, match=f"channel: {key} is .*it must be"):
        ChannelDesign(**{key: value})
