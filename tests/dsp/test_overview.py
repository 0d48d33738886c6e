import numpy as np
import pytest

from carrierfloor.dsp.interpolation import FINE_RATE_HZ
from carrierfloor.dsp.overview import COLUMNS, OverviewMeter, WorstMomentFinder


@pytest.mark.parametrize("count", [0, 10, 64, 1000, 300_000, 1_234_567])
@pytest.mark.parametrize("cut", [10_007, 65_536])
def test_columns_cover_all_points(count: int, cut: int) -> None:
    """Each column holds the extremes of its own stretch, searched again with numpy."""
    fine = np.random.default_rng(1).standard_normal(count)
    meter = OverviewMeter()
    for start in range(0, count, cut):
        meter.feed(fine[start : start + cut])
    found = meter.read()
    assert len(found.time_s) <= COLUMNS
    if not count:
        assert len(found.time_s) == 0
        return
    width = -(-count // len(found.time_s))
    width = 64 * 2 ** max(0, round(np.log2(width / 64)))
    edges = np.arange(0, count, width)
    np.testing.assert_array_equal(found.lowest, np.minimum.reduceat(fine, edges))
    np.testing.assert_array_equal(found.highest, np.maximum.reduceat(fine, edges))
    np.testing.assert_allclose(found.time_s, (edges + width / 2) / FINE_RATE_HZ)


@pytest.mark.parametrize("at", [5, 4000, 99_990])
@pytest.mark.parametrize("cut", [64, 5000, 200_000])
def test_the_deepest_trough_is_in_the_middle(at: int, cut: int) -> None:
    fine = 0.1 * np.random.default_rng(2).standard_normal(100_000)
    fine[at] = -3.0
    finder = WorstMomentFinder(starts_at_s=1.0)
    padded = np.concatenate([fine, np.zeros(10_000)])
    for start in range(0, len(padded), cut):
        finder.feed(padded[start : start + cut])
    found = finder.read()
    middle = len(found.modulation) // 2
    assert found.modulation[middle] == -3.0
    assert found.time_s[middle] == pytest.approx(1.0 + at / FINE_RATE_HZ, abs=1e-9)
    np.testing.assert_array_equal(found.modulation[middle : middle + 100], padded[at : at + 100])


def test_silence_has_a_flat_moment() -> None:
    finder = WorstMomentFinder()
    finder.feed(np.zeros(50_000))
    assert not finder.read().modulation.any()
