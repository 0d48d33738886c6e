import numpy as np
import pytest

from carrierfloor.dsp.peak_hold import PeakHold


def hold() -> PeakHold:
    """Hold for 5 steps, then fall by 2 a step, down to -100."""
    return PeakHold(5, 2.0, -100.0)


def course(peaks: list[float]) -> list[float]:
    meter, values = hold(), []
    for peak in peaks:
        meter.feed([peak])
        values.append(meter.value)
    return values


def test_holds_then_falls() -> None:
    """By hand: five steps later it begins to fall, 2 a step."""
    assert course([-10.0] + 8 * [-50.0]) == [-10.0] * 6 + [-12.0, -14.0, -16.0]


def test_falls_onto_the_present_peak_and_holds_that() -> None:
    assert course([-10.0] + 7 * [-13.0] + 5 * [-40.0]) == [-10.0] * 6 + [-12.0] + [-13.0] * 6


def test_rest_is_time_without_peaks() -> None:
    """Resting does what as many peaks at the bottom do."""
    for before in (1, 4, 9):
        for steps in (0, 1, 3, 20, 200):
            fed, rested = hold(), hold()
            for meter in (fed, rested):
                meter.feed([-10.0] + before * [-99.0])
            fed.feed(steps * [-100.0])
            rested.rest(steps)
            assert rested.value == fed.value
            fed.feed([-98.0, -98.0])
            rested.feed([-98.0, -98.0])
            assert rested.value == fed.value


def test_no_number_is_passed_over() -> None:
    meter = hold()
    meter.feed([-20.0, float("nan")])
    assert meter.value == -20.0


@pytest.mark.parametrize("cut", [1, 3, 50])
def test_pieces_do_not_matter(cut: int) -> None:
    peaks = np.random.default_rng(1).uniform(-60.0, 0.0, 200).tolist()
    whole, pieces = hold(), hold()
    whole.feed(peaks)
    for start in range(0, 200, cut):
        pieces.feed(peaks[start : start + cut])
    assert pieces.value == whole.value
