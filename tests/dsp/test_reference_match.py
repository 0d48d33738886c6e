"""A known sound found in a recording on another clock, made by splines of scipy."""

import numpy as np
import pytest
from scipy import ndimage

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.reference_match import find_in
from carrierfloor.dsp.stored_signal import StoredArray
from carrierfloor.dsp.time_map import TimeMap
from tests.clips import Array, sound

RATE_HZ = 48_000


def recorded(played: Array, offset: float, ppm: float, noise: float = 0.0) -> Array:
    """Play on one clock, record on another; seeded noise on top."""
    stretch = 1.0 + 1e-6 * ppm
    n = np.arange(round(len(played) * stretch + max(offset, 0.0)) + RATE_HZ // 2)
    heard = ndimage.map_coordinates(played, [(n - offset) / stretch], order=5, mode="constant")
    return np.asarray(heard + noise * np.random.default_rng(1).standard_normal(len(heard)))


def talk() -> Array:
    samples = sound("plosives_male_slow")[: 8 * RATE_HZ]
    return np.asarray(samples / np.abs(samples).max())


@pytest.mark.parametrize(
    ("offset", "ppm", "sign", "noise"),
    [
        (12_345.67, 300.0, -1.0, 0.02),
        (-60_000.25, -300.0, 1.0, 0.02),
    ],
)
def test_offset_clock_and_sign(offset: float, ppm: float, sign: float, noise: float) -> None:
    played = talk()
    found = find_in(StoredArray(sign * recorded(played, offset, ppm, noise)), StoredArray(played))
    assert found.sign == sign
    assert found.offset == pytest.approx(offset, abs=0.05)
    assert found.clock_ppm == pytest.approx(ppm, abs=0.5)


def test_a_part_of_what_was_played_is_enough() -> None:
    played = talk()
    heard = recorded(played, 3000.0, 100.0)[120_000:300_000]
    found = find_in(StoredArray(heard), StoredArray(played))
    assert found.offset == pytest.approx(3000.0 - 120_000.0, abs=0.5)
    assert found.heard_at(float(found.sent_at(1000.0))) == pytest.approx(1000.0, abs=1e-6)


def test_samples_come_in_step() -> None:
    """What the map takes from what was played is what was heard."""
    played = talk()
    heard = -recorded(played, 5000.4, 120.0)
    found = TimeMap(5000.4, 120.0, -1.0, 1.0, 0.0)
    part = found.take(StoredArray(played), 100_000, 50_000)
    assert np.sqrt(np.mean((part - heard[100_000:150_000]) ** 2)) < 5e-4


def test_the_clock_of_a_tone() -> None:
    """Periods are alike, so whole periods may be missing; 400 ppm must not cost one on the way."""
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    tone = np.sin(2 * np.pi * 1000.0 * t) * np.minimum(1.0, np.minimum(t, 10.0 - t) / 0.05)
    found = find_in(StoredArray(recorded(tone, 50_000.0, 350.0)), StoredArray(tone))
    assert found.clock_ppm == pytest.approx(350.0, abs=0.1)
    assert found.sign == 1.0
    assert (found.offset - 50_000.0) % 48.0 == pytest.approx(0.0, abs=1.0) or (
        found.offset - 50_000.0
    ) % 48.0 == pytest.approx(48.0, abs=1.0)


def test_says_that_samples_are_missing() -> None:
    played = talk()
    heard = recorded(played, 5000.0, 0.0)
    gap = np.concatenate([heard[:150_000], heard[150_030:]])
    assert find_in(StoredArray(gap), StoredArray(played)).found < 0.7


def test_refuses_another_sound() -> None:
    noise = np.random.default_rng(3).standard_normal(400_000)
    with pytest.raises(AudioError, match="not in this recording"):
        find_in(StoredArray(noise), StoredArray(talk()))
    with pytest.raises(AudioError, match="no modulation"):
        find_in(StoredArray(np.zeros(100_000)), StoredArray(talk()))
