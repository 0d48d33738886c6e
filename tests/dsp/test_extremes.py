"""Highest and lowest against numpy, for every small size."""

import numpy as np

from carrierfloor.dsp.extremes import highest, lowest


def test_equal_numpy_for_every_size() -> None:
    rng = np.random.default_rng(4)
    for size in [*range(1, 40), 276, 1000]:
        values = rng.standard_normal(size)
        assert highest(values, np.empty(size)) == values.max()
        assert lowest(values, np.empty(size)) == values.min()
