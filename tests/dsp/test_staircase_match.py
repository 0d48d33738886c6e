"""A staircase is found in a recording wherever it lies; what cannot be told is refused."""

import numpy as np
import pytest

from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.sent_staircase import SentStaircase, staircase_from_track
from carrierfloor.dsp.staircase_match import match
from carrierfloor.dsp.staircase_reading import read_steps
from carrierfloor.dsp.tone_lines import ToneLines, ToneTrack
from carrierfloor.dsp.tone_search import ToneSearch
from tests.clips import Array
from tests.level_ways import Stairs, stairs
from tests.reference.radio import resampled

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def usual() -> Stairs:
    return stairs(hold_s=0.3)


def track_of(samples: Array, cut: int = 10_000) -> ToneTrack:
    lines = ToneLines(1000.0, 8000.0)
    for start in range(0, len(samples), cut):
        lines.feed(samples[start : start + cut])
    return lines.read()


def noise(samples: int, level_db: float = -60.0, seed: int = 1) -> Array:
    return np.asarray(10 ** (level_db / 20) * np.random.default_rng(seed).normal(size=samples))


def recorded(card: Array, before_s: float, after_s: float, level_db: float = -60.0) -> Array:
    parts = [np.zeros(round(before_s * RATE_HZ)), card, np.zeros(round(after_s * RATE_HZ))]
    whole = np.concatenate(parts)
    return whole + noise(len(whole), level_db)


def test_lines_are_those_of_the_signal() -> None:
    """A mean, a tone with its second harmonic, and hum; each line is the amplitude put in."""
    t = np.arange(RATE_HZ) / RATE_HZ
    signal = 0.5 + 0.25 * np.cos(2000 * np.pi * t + 1.0) + 0.1 * np.cos(4000 * np.pi * t)
    track = track_of(signal + 0.3 * np.cos(240 * np.pi * t))
    np.testing.assert_allclose(track.lines[:, 0].real, 0.5, atol=2e-3)
    np.testing.assert_allclose(track.lines[:, 1], 0.25 * np.exp(1j), atol=5e-6)
    np.testing.assert_allclose(track.lines[:, 2], 0.1, atol=5e-6)
    np.testing.assert_allclose(track.noise, 0.0, atol=5e-6)


def test_cutting_the_signal_changes_nothing(usual: Stairs) -> None:
    whole = track_of(usual.card, len(usual.card))
    for cut in (1000, 7777):
        np.testing.assert_allclose(track_of(usual.card, cut).lines, whole.lines, atol=1e-12)


@pytest.mark.parametrize(("before_s", "after_s"), [(1.2345, 0.7), (0.1, 5.0), (7.0, 0.1)])
def test_it_is_found(usual: Stairs, before_s: float, after_s: float) -> None:
    found = match(track_of(recorded(usual.card, before_s, after_s)), usual.sent)
    assert found.begins_s == pytest.approx(before_s, abs=0.02)
    assert found.clock_ratio == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("ppm", [-200.0, 100.0, 200.0])
def test_a_clock_that_is_off_is_measured(usual: Stairs, ppm: float) -> None:
    stretched = resampled(recorded(usual.card, 0.5, 0.5), 1e4, 1e4 * (1 + 1e-6 * ppm))
    found = match(track_of(stretched), usual.sent)
    assert found.clock_ratio == pytest.approx(1 + 1e-6 * ppm, abs=2e-6)


def test_steps_under_the_noise_do_no_harm(usual: Stairs) -> None:
    found = match(track_of(recorded(usual.card, 1.0, 1.0, level_db=-20.0)), usual.sent)
    assert found.begins_s == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize(("first", "last"), [(0.0, 2.5), (2.0, 9.0)])
def test_one_end_is_enough(usual: Stairs, first: float, last: float) -> None:
    """The recording is cut at one end, from or to that time."""
    whole = recorded(usual.card, 1.0, 1.0)
    cut = whole[round(first * RATE_HZ) : round(last * RATE_HZ)]
    track = track_of(cut)
    found = match(track, usual.sent)
    assert found.begins_s == pytest.approx(1.0 - first, abs=0.02)
    periods = read_steps(track, usual.sent, found)
    assert 3 < len(periods) < len(usual.sent.steps)
    for period in periods:
        assert abs(period.harmonics[0]) == pytest.approx(period.sent.fundamental, rel=5e-3)


def test_neither_end_is_refused(usual: Stairs) -> None:
    middle = usual.card[round(0.9 * RATE_HZ) : round(1.7 * RATE_HZ)]
    with pytest.raises(AudioError, match="nothing tells which step is which"):
        match(track_of(middle), usual.sent)


def test_another_staircase_is_refused(usual: Stairs) -> None:
    other = stairs(first=-2.0, last=-28.0, hold_s=0.3)
    with pytest.raises(AudioError, match="is it another"):
        match(track_of(recorded(other.card, 1.0, 1.0)), usual.sent)


def test_noise_is_refused(usual: Stairs) -> None:
    with pytest.raises(AudioError, match="no tone of 1000 Hz"):
        match(track_of(noise(3 * RATE_HZ, -10.0)), usual.sent)
    with pytest.raises(AudioError, match="no tone of 1000 Hz"):
        match(track_of(np.zeros(RATE_HZ)), usual.sent)


def test_steps_are_read_back_from_the_file_that_was_sent(usual: Stairs) -> None:
    search = ToneSearch(RATE_HZ)
    for start in range(0, len(usual.card), 5000):
        search.feed(usual.card[start : start + 5000])
    assert search.frequency_hz() == pytest.approx(1000.0, abs=0.05)
    found = staircase_from_track(track_of(usual.card))
    assert_same(found, usual.sent)


def assert_same(found: SentStaircase, sent: SentStaircase) -> None:
    assert len(found.steps) == len(sent.steps)
    for one, other in zip(found.steps, sent.steps, strict=True):
        assert one.level_dbfs == pytest.approx(other.level_dbfs, abs=0.01)
        assert one.is_uneven == other.is_uneven
        assert one.begins_s == pytest.approx(other.begins_s, abs=0.06)
        assert one.ends_s == pytest.approx(other.ends_s, abs=0.06)


def test_a_file_without_steps_is_refused() -> None:
    with pytest.raises(AudioError, match="no step of a steady tone"):
        staircase_from_track(track_of(noise(RATE_HZ)))
    quiet = ToneSearch(RATE_HZ)
    quiet.feed(noise(RATE_HZ))
    with pytest.raises(AudioError, match="no tone between 200 and 5000 Hz"):
        quiet.frequency_hz()


def test_a_tone_out_of_range_is_refused() -> None:
    with pytest.raises(SettingError, match="the tone is at 50 Hz; it must be 200 to 5000 Hz"):
        ToneLines(50.0, 8000.0)
