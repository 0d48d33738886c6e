"""Which of the cut-offs that were found are beyond doubt."""

import pytest

from carrierfloor.dsp.cutoff_finder import CutoffReading
from carrierfloor.dsp.received_peaks import beyond_doubt


def reading(count: int, uncertain: int) -> CutoffReading:
    return CutoffReading(
        count=count,
        uncertain=uncertain,
        reversed=0,
        total_s=0.01 * count,
        longest_s=0.01,
        first=(),
        wanted_depth=1.1,
        flat=0,
        flat_bottom=0.0,
        bottom=0.0,
        bottom_error=0.001,
    )


@pytest.mark.parametrize(
    ("count", "uncertain", "sure"),
    [(1, 0, 1), (1, 19, 1), (1, 20, 0), (5, 100, 0), (6, 100, 6), (300, 145, 300)],
)
def test_as_few_as_chance_makes_are_in_doubt(count: int, uncertain: int, sure: int) -> None:
    """Two errors are exceeded once in 44 times (normal distribution, one side)."""
    off = beyond_doubt(reading(count, uncertain))
    assert off.count == sure
    assert off.count + off.uncertain == count + uncertain
    assert off.total_s == pytest.approx(0.01 * sure)
    assert off.longest_s == (0.01 if sure else 0.0)
