"""Cut-offs in tones whose off time is a closed form, limited to the band of a recording.

Fourier: 1 + m cos(x) is below zero for arccos(1/m)/pi of each period.
"""

import math

import numpy as np
import pytest

from carrierfloor.dsp.cutoff_finder import CutoffFinder, CutoffReading
from carrierfloor.dsp.interpolation import FINE_RATE_HZ
from carrierfloor.dsp.stage import Block

TONE_HZ = 400.0
SECONDS = 0.5
PERIODS = round(TONE_HZ * SECONDS)


def limited(wanted: Block, half_width_hz: float, floor: float = 0.0, noise: float = 0.0) -> Block:
    """Return m of a final that follows as far as ``floor``, within a band, with noise in it."""
    envelope = np.maximum(floor, 1.0 + wanted)
    random = np.random.default_rng(7)
    lines = np.fft.rfft(envelope)
    white = np.fft.rfft(random.normal(size=len(wanted)))
    band = np.fft.rfftfreq(len(wanted), 1 / FINE_RATE_HZ) <= half_width_hz
    hiss = np.fft.irfft(white * band, len(wanted))
    received = np.fft.irfft(lines * band, len(wanted))
    return np.asarray(received + noise * hiss / hiss.std() - 1.0)


def tone(index: float, frequency_hz: float = TONE_HZ) -> Block:
    t = np.arange(round(SECONDS * FINE_RATE_HZ)) / FINE_RATE_HZ
    return np.asarray(index * np.cos(2 * np.pi * frequency_hz * t))


def found(fine: Block, noise: float = 0.0, half_width_hz: float = 16_000.0) -> CutoffFinder:
    finder = CutoffFinder(round(SECONDS * 50))
    finder.feed(fine, noise, FINE_RATE_HZ / (2.0 * half_width_hz))
    return finder


def read(fine: Block, noise: float = 0.0, half_width_hz: float = 16_000.0) -> CutoffReading:
    return found(fine, noise, half_width_hz).read()


@pytest.mark.parametrize("half_width_hz", [8000.0, 16_000.0])
@pytest.mark.parametrize("index", [1.05, 1.1, 1.25, 1.5])
def test_off_time_of_a_tone(index: float, half_width_hz: float) -> None:
    """Within half a decibel, which is 5.9 %; every single one is found."""
    reading = read(limited(tone(index), half_width_hz), half_width_hz=half_width_hz)
    share = math.acos(1.0 / index) / math.pi
    assert reading.count == PERIODS
    assert reading.uncertain == 0
    assert reading.total_s == pytest.approx(share * SECONDS, rel=0.059)
    assert reading.longest_s == pytest.approx(share / TONE_HZ, rel=0.08)
    middles = [one.start_s + one.duration_s / 2.0 for one in reading.first]
    np.testing.assert_allclose(middles, (np.arange(PERIODS) + 0.5) / TONE_HZ, atol=5e-6)
    assert 1.0 < reading.wanted_depth < index + 0.02


def test_off_time_in_noise() -> None:
    """A carrier 50 dB over the noise in 10 kHz: 0.28 % rms within 8 kHz on each side."""
    noise = 0.0028
    reading = read(limited(tone(1.25), 8000.0, noise=noise), noise, 8000.0)
    assert reading.count == PERIODS
    share = math.acos(0.8) / math.pi
    assert reading.total_s == pytest.approx(share * SECONDS, rel=0.059)


@pytest.mark.parametrize("noise", [0.0, 0.001, 0.009])
@pytest.mark.parametrize("index", [0.9, 0.95, 0.98])
def test_a_carrier_that_stays_up_is_never_called_off(index: float, noise: float) -> None:
    reading = read(limited(tone(index), 8000.0, noise=noise), noise, 8000.0)
    assert reading.count == 0
    if noise < 0.002:
        assert reading.uncertain == 0


def test_a_trough_that_just_touches_zero_is_in_doubt() -> None:
    reading = read(limited(tone(1.0), 8000.0))
    assert reading.count == 0
    assert reading.uncertain == PERIODS


def test_noise_turns_certainty_into_doubt_not_into_safety() -> None:
    """105 % with a carrier 40 dB over the noise: single troughs cannot be told, and are said so."""
    noise = 0.009
    reading = read(limited(tone(1.05, 1000.0), 8000.0, noise=noise), noise, 8000.0)
    assert reading.count + reading.uncertain > 0.95 * 1000 * SECONDS


@pytest.mark.parametrize(("floor", "flat"), [(0.01, False), (0.03, True)])
def test_a_carrier_that_a_diode_holds_up_is_no_cutoff(floor: float, flat: bool) -> None:
    """Its flanks are as steep; its bottom says where it is held."""
    reading = read(limited(tone(1.25), 16_000.0, floor))
    if flat:
        assert reading.count == 0
        assert reading.flat == PERIODS
        assert reading.flat_bottom == pytest.approx(floor, abs=0.003)
    else:
        assert reading.bottom == pytest.approx(floor, abs=0.003)
        assert reading.bottom > 4.0 * reading.bottom_error


def test_a_reversed_phase_is_told_from_a_cutoff() -> None:
    """A multiplier goes on below zero."""
    reading = read(tone(1.25))
    assert reading.reversed == reading.count == PERIODS
    assert read(limited(tone(1.25), 16_000.0)).reversed == 0


def test_what_cutoffs_add_to_the_mean() -> None:
    """Fourier: c0 = (u + m sin u)/pi with u = arccos(-1/m); 1.034 at m = 1.25."""
    finder = found(limited(tone(1.25, 100.0), 16_000.0))
    u = math.acos(-0.8)
    added = (u + 1.25 * math.sin(u)) / math.pi - 1.0
    assert finder.raised.mean() == pytest.approx(added, rel=0.15)
    assert finder.per_row.sum() == 100 * SECONDS


def test_a_detector_that_does_not_see_so_far_makes_doubt() -> None:
    finder = CutoffFinder(25, least=0.4)
    finder.feed(limited(tone(1.25), 16_000.0), 0.0, 6.0)
    assert finder.read().count == 0
    assert finder.read().uncertain == PERIODS


@pytest.mark.parametrize("block", [1, 61, 4096])
def test_cutting_the_stream_changes_nothing(block: int) -> None:
    fine = limited(tone(1.1), 8000.0, noise=0.002)[: 60 * block if block < 100 else None]
    whole, cut = CutoffFinder(25), CutoffFinder(25)
    whole.feed(fine, 0.002, 12.0)
    for start in range(0, len(fine), block):
        cut.feed(fine[start : start + block], 0.002, 12.0)
    assert cut.read() == whole.read()
    np.testing.assert_array_equal(cut.raised, whole.raised)
