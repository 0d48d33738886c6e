"""Moving the past of a stream, against a copy."""

import numpy as np
import pytest

from carrierfloor.dsp.past import move_past


@pytest.mark.parametrize("keep", [0, 1, 7, 64, 300])
@pytest.mark.parametrize("n", [1, 5, 63, 64, 65, 128])
def test_the_newest_samples_come_to_the_front(keep: int, n: int) -> None:
    samples = np.arange(float(keep + n + 3))
    newest, after = samples[n : n + keep].copy(), samples[keep + n :].copy()
    move_past(samples, keep, n)
    np.testing.assert_array_equal(samples[:keep], newest)
    np.testing.assert_array_equal(samples[keep + n :], after)
