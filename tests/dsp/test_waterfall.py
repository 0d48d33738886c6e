import numpy as np
import pytest

from carrierfloor.dsp.spectrum_meter import SpectrumMeter
from carrierfloor.dsp.waterfall import ROWS, Waterfall, WaterfallRows

RATE_HZ = 48_000.0


def burst(at_s: float, seconds: float, whole_s: float) -> Waterfall:
    """Return the waterfall of a carrier with lines of -20 dBc at +-9 kHz for a while."""
    t = np.arange(round(whole_s * RATE_HZ)) / RATE_HZ
    on = (t >= at_s) & (t < at_s + seconds)
    samples = 1.0 + 0.2 * on * np.cos(2 * np.pi * 9000.0 * t) + 0j
    meter = SpectrumMeter(RATE_HZ, keeps_rows=True)
    for start in range(0, len(samples), 960):
        meter.feed(samples[start : start + 960])
    return meter.read_waterfall(1.0)


def test_a_burst_is_where_and_when_it_was() -> None:
    """A tone of m = 0.2 is two lines of -20 dBc, each 0.01 of the carrier's power."""
    found = burst(3.0, 2.0, 8.0)
    lower, upper = found.beyond_dbc(5000.0)
    middle = (found.time_s > 3.2) & (found.time_s < 4.8)
    for side in (lower, upper):
        np.testing.assert_allclose(side[middle], -20.0, atol=0.01)
        assert side[found.time_s < 2.7].max() < -90.0
        assert side[found.time_s > 5.3].max() < -90.0
    row = np.argmin(np.abs(found.time_s - 4.0))
    highest = found.offset_hz[np.argsort(found.peak_dbc[row])]
    assert np.abs(np.abs(highest[-40:]) - 9000.0).min() < found.offset_hz[1] - found.offset_hz[0]


def test_time_is_that_of_the_recording() -> None:
    meter = SpectrumMeter(RATE_HZ, keeps_rows=True, begins_s=7.0)
    meter.feed(np.ones(round(2.0 * RATE_HZ), dtype=complex))
    found = meter.read_waterfall(1.0)
    assert found.begins_s == 7.0
    assert 7.0 < found.time_s[0] < 7.2
    assert 8.8 < found.time_s[-1] < 9.0


def test_rows_are_a_tenth_of_a_second_and_in_time() -> None:
    found = burst(1.0, 1.0, 4.0)
    assert 0.05 < found.row_s < 0.15
    assert found.mean_power.shape == (len(found.time_s), len(found.offset_hz))
    assert found.time_s[-1] < found.duration_s <= 4.0
    np.testing.assert_allclose(np.diff(found.time_s)[:-1], found.row_s, rtol=1e-9)


def test_a_short_click_shows_in_the_peak_more_than_in_the_mean() -> None:
    found = burst(2.0, 0.004, 4.0)
    away = np.abs(found.offset_hz) > 7000.0
    assert found.peak_dbc[:, away].max() > found.mean_dbc[:, away].max() + 10.0


def test_rows_merge_when_memory_is_full_and_lose_nothing() -> None:
    """The mean of all is the mean of the pieces, the highest their highest, in order."""
    pieces = 3 * ROWS + 5
    rows = WaterfallRows(2, 1)
    values = np.random.default_rng(1).random(pieces)
    for value in values:
        rows.add(np.array([value, 1.0]), np.array([2.0 * value, 3.0]))
    mean, peak = rows.read()
    assert rows.pieces_a_row == 4
    assert len(mean) == -(-pieces // 4)
    for at in (0, 700, len(mean) - 1):
        mine = values[4 * at : 4 * at + 4]
        assert mean[at, 0] == pytest.approx(mine.mean(), rel=1e-5)
        assert peak[at, 0] == pytest.approx(2.0 * mine.max(), rel=1e-6)
    np.testing.assert_allclose(mean[:, 1], 1.0)


def test_memory_stays_bounded() -> None:
    rows = WaterfallRows(3, 1)
    for _ in range(20 * ROWS):
        rows.add(np.ones(3), np.ones(3))
    assert len(rows.read()[0]) <= ROWS


def test_a_meter_without_rows_has_no_waterfall() -> None:
    with pytest.raises(ValueError, match="keeps_rows"):
        SpectrumMeter(RATE_HZ).read_waterfall(1.0)
