"""The sliding minimum and the smoothing window against scipy and plain sums."""

import numpy as np
from scipy import ndimage

from carrierfloor.dsp.gain_window import BOX, WINDOW, least_ahead, smooth

SIZE = 276


def test_window_is_three_boxes_that_sum_to_one() -> None:
    """The response to one sample is the convolution of three boxes."""
    box = np.full(BOX, 1.0 / BOX)
    expected = np.convolve(np.convolve(box, box), box)
    impulse, gain = np.zeros(WINDOW - 1 + SIZE), np.empty(SIZE)
    impulse[WINDOW + 40] = 1.0
    smooth(impulse, gain, np.empty(2 * (SIZE + WINDOW)))
    assert len(expected) == WINDOW
    np.testing.assert_allclose(gain[42 - 1 :][:WINDOW], expected[::-1][:WINDOW], atol=1e-15)
    assert abs(expected.sum() - 1.0) < 1e-14


def test_constant_gain_stays_exact() -> None:
    gain = np.empty(SIZE)
    smooth(np.ones(WINDOW - 1 + SIZE), gain, np.empty(2 * (SIZE + WINDOW)))
    np.testing.assert_array_equal(gain, 1.0)


def test_least_ahead_is_a_sliding_minimum() -> None:
    """scipy.ndimage.minimum_filter1d, shifted so that the window lies ahead."""
    required = np.random.default_rng(1).uniform(0.0, 1.0, SIZE)
    least = np.empty(SIZE)
    least_ahead(required, least, np.empty(2 * (SIZE + WINDOW)))
    padded = np.concatenate([required, np.ones(WINDOW)])
    expected = ndimage.minimum_filter1d(padded, WINDOW, origin=-(WINDOW // 2))[:SIZE]
    np.testing.assert_array_equal(least, expected)


def test_smooth_gain_never_exceeds_the_required_gain() -> None:
    required = np.random.default_rng(2).uniform(0.2, 1.0, SIZE)
    m, gain = np.ones(WINDOW - 1 + SIZE), np.empty(SIZE)
    least_ahead(required, m[WINDOW - 1 :], np.empty(2 * (SIZE + WINDOW)))
    m[: WINDOW - 1] = m[WINDOW - 1]
    smooth(m, gain, np.empty(2 * (SIZE + WINDOW)))
    assert np.all(gain <= required + 1e-12)
