"""The upper end of peaks under noise, from distributions that are known."""

import numpy as np
import pytest

from carrierfloor.dsp.interpolation import FINE_RATE_HZ
from carrierfloor.dsp.peak_heights import BIN, PeakHeights, highest_without_noise
from carrierfloor.dsp.stage import Block

ROUNDS = 10


def counted(heights: Block) -> np.ndarray:
    return np.bincount((heights / BIN).astype(int), minlength=8000)


@pytest.mark.parametrize("noise", [0.003, 0.009, 0.03])
@pytest.mark.parametrize(
    ("true", "within"),
    [
        (np.array([0.95]), 0.8),
        (np.full(10, 0.95), 0.6),
        (np.full(1000, 0.95), 0.8),
        (np.minimum(0.95, np.linspace(0.3, 1.5, 2000)), 0.8),
    ],
)
def test_noise_is_taken_out_of_the_highest(true: Block, within: float, noise: float) -> None:
    """On average within 0.8 of the noise's rms, where the raw highest is up to 3.3 too high."""
    random = np.random.default_rng(4)
    raw, found = [], []
    for _ in range(ROUNDS):
        read = true + noise * random.normal(size=len(true))
        raw.append(read.max())
        found.append(highest_without_noise(counted(read), noise))
    assert abs(np.mean(found) - 0.95) < within * noise
    if len(true) > 100:
        assert np.mean(raw) - 0.95 > 2.0 * noise


def test_one_deeper_peak_is_not_lost_among_many() -> None:
    """99 % once and 95 % a thousand times, noise of 0.9 %."""
    random = np.random.default_rng(6)
    found = []
    for _ in range(ROUNDS):
        read = np.append(np.full(1000, 0.95), 0.99) + 0.009 * random.normal(size=1001)
        found.append(highest_without_noise(counted(read), 0.009))
    assert np.mean(found) > 0.97


def test_without_noise_nothing_is_taken_out() -> None:
    counts = counted(np.array([0.1, 0.2, 0.8]))
    assert highest_without_noise(counts, 0.0) == pytest.approx(0.8, abs=BIN)
    assert highest_without_noise(np.zeros(8000, dtype=int), 0.01) == 0.0


@pytest.mark.parametrize("block", [17, 192_000])
def test_every_swing_counts_once(block: int) -> None:
    """A tone of 1 kHz that is louder in its second half: crests 0.5, 1.2, troughs 0.4, 0.9."""
    t = np.arange(round(FINE_RATE_HZ)) / FINE_RATE_HZ
    wave = np.sin(2 * np.pi * 1000.0 * t)
    late = t >= 0.5
    m = np.where(wave > 0.0, wave * np.where(late, 1.2, 0.5), wave * np.where(late, 0.9, 0.4))
    heights = PeakHeights()
    for start in range(0, len(m), block):
        heights.feed(m[start : start + block])
    for counts, levels in ((heights.crests, (0.5, 1.2)), (heights.troughs, (0.4, 0.9))):
        assert counts.sum() == pytest.approx(1000, abs=1)
        for level in levels:
            near = counts[round(level / BIN) - 2 : round(level / BIN) + 3].sum()
            assert near == pytest.approx(500, abs=1)
