"""A floor under tones and noise whose true height is known, limited to the band of a recording."""

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.held_floor import HeldFloor, HeldFloorFinder
from carrierfloor.dsp.interpolation import FINE_RATE_HZ
from carrierfloor.dsp.stage import Block

SECONDS = 2.0
SIZE = round(SECONDS * FINE_RATE_HZ)
HALF_WIDTH_HZ = 16_000.0


def band(samples: Block, highest_hz: float, lowest_hz: float = 0.0) -> Block:
    """Return what a rectangular filter leaves."""
    lines, hz = np.fft.rfft(samples), np.fft.rfftfreq(len(samples), 1 / FINE_RATE_HZ)
    lines[(hz > highest_hz) | (hz < lowest_hz)] = 0.0
    return np.fft.irfft(lines, len(samples))


def glide(index: float) -> Block:
    t = np.arange(SIZE) / FINE_RATE_HZ
    return np.asarray(index * signal.chirp(t, 300.0, SECONDS, 3500.0))


def voice_like(peak: float) -> Block:
    """Noise between 300 and 3000 Hz, which comes and goes."""
    t = np.arange(SIZE) / FINE_RATE_HZ
    noise = band(np.random.default_rng(3).normal(size=SIZE), 3000.0, 300.0)
    wave = noise * np.sin(2 * np.pi * 2.0 * t) ** 2
    return np.asarray(wave * peak / np.abs(wave).max())


def hiss(rms: float, half_width_hz: float) -> Block:
    noise = band(np.random.default_rng(7).normal(size=SIZE), half_width_hz)
    return np.asarray(noise * rms / noise.std())


def found(m: Block, noise: float = 0.0, half_width_hz: float = HALF_WIDTH_HZ) -> HeldFloor | None:
    finder = HeldFloorFinder(half_width_hz)
    finder.feed(m, noise)
    return finder.read(noise)


@pytest.mark.parametrize("half_width_hz", [8000.0, 16_000.0])
@pytest.mark.parametrize("floor", [0.012, 0.03, 0.08, 0.2, 0.5])
def test_a_held_tone_is_found_within_twice_the_error(floor: float, half_width_hz: float) -> None:
    sent = np.maximum(floor, 1.0 + glide(1.5))
    received = band(sent, 1.125 * half_width_hz)
    assert received.min() < floor - 0.01  # the corners ring
    floor_found = found(received - 1.0, half_width_hz=half_width_hz)
    assert floor_found is not None
    assert abs(floor_found.height - floor) < 2.0 * floor_found.error
    assert floor_found.error < 0.002


@pytest.mark.parametrize("beyond", [0.03, 0.05, 0.1])
@pytest.mark.parametrize("floor", [0.03, 0.08])
def test_tips_that_only_touch_a_floor(floor: float, beyond: float) -> None:
    """The time on the floor is shorter than a period of the ringing, 55 us, for most of them."""
    sent = np.maximum(floor, 1.0 + glide(1.0 - floor + beyond))
    received = band(sent, 18_000.0)
    assert received.min() < floor - 0.007
    floor_found = found(received - 1.0)
    assert floor_found is not None
    assert abs(floor_found.height - floor) < 2.0 * floor_found.error
    assert floor_found.error < 0.002


@pytest.mark.parametrize("noise", [0.001, 0.003, 0.01])
def test_a_held_voice_in_noise(noise: float) -> None:
    sent = np.maximum(0.1, 1.0 + voice_like(3.0))
    m = band(sent, 18_000.0) - 1.0 + hiss(noise, HALF_WIDTH_HZ)
    floor_found = found(m, noise)
    assert floor_found is not None
    assert abs(floor_found.height - 0.1) < 2.0 * floor_found.error


@pytest.mark.parametrize("noise", [0.0, 0.003, 0.01])
@pytest.mark.parametrize("peak", [0.5, 0.92, 0.97])
def test_round_troughs_have_no_floor(peak: float, noise: float) -> None:
    for wave in (glide(peak), voice_like(peak)):
        assert found(wave + hiss(noise, HALF_WIDTH_HZ), noise) is None


@pytest.mark.parametrize("frequency_hz", [50.0, 400.0, 3000.0])
def test_a_steady_tone_has_none_though_all_its_troughs_end_at_one_height(
    frequency_hz: float,
) -> None:
    t = np.arange(SIZE) / FINE_RATE_HZ
    assert found(0.9 * np.sin(2 * np.pi * frequency_hz * t)) is None


@pytest.mark.parametrize("low_pass_hz", [2500.0, 3500.0, 6000.0])
def test_what_overshoots_within_the_band_is_not_held(low_pass_hz: float) -> None:
    """Clipped first, then through an audio low-pass: the antenna really goes deeper."""
    clipped = np.maximum(
        -0.8, 1.3 * signal.square(2 * np.pi * 200.0 * np.arange(SIZE) / FINE_RATE_HZ)
    )
    m = band(clipped, low_pass_hz)
    assert m.min() < -0.9
    assert found(m) is None


def test_one_deep_trough_among_thousands_that_are_held() -> None:
    m = np.maximum(-0.9, glide(1.5))
    middle = SIZE // 2
    dip = 0.09 * np.hanning(round(3e-4 * FINE_RATE_HZ))
    place = middle + int(np.argmax(m[middle:] == -0.9)) + 5
    m[place : place + len(dip)] -= dip
    assert found(band(m, 18_000.0)) is None


def test_cut_offs_are_no_floor() -> None:
    assert found(band(np.maximum(-1.0, glide(1.5)), 18_000.0)) is None


def test_held_at_first_and_far_below_zero_later() -> None:
    wave = glide(1.5)
    both = np.concatenate([np.maximum(-0.9, wave), wave])
    assert found(band(both, 18_000.0)) is None


@pytest.mark.parametrize("size", [1, 1000])
def test_blocks_change_nothing(size: int) -> None:
    m = band(np.maximum(0.1, 1.0 + glide(1.5)), 18_000.0)[: 40_000 if size > 1 else 20_000] - 1.0
    whole, parts = HeldFloorFinder(HALF_WIDTH_HZ), HeldFloorFinder(HALF_WIDTH_HZ)
    whole.feed(m, 0.0)
    for begin in range(0, len(m), size):
        parts.feed(m[begin : begin + size], 0.0)
    parts.feed(np.zeros(0), 0.0)
    assert whole.read(0.0) is not None
    assert parts.read(0.0) == whole.read(0.0)


def test_nothing_is_found_in_nothing() -> None:
    assert HeldFloorFinder(HALF_WIDTH_HZ).read(0.0) is None
    assert found(np.zeros(1000), noise=10.0) is None
