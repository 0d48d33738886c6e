"""Switching between sounds in step: no click, no gap, no drift, however it is cut and pressed."""

import numpy as np
import pytest

from carrierfloor.dsp.switched_loop import FADE_SAMPLES, SwitchedLoop
from tests.clips import Array

LENGTH = 9_600
PERIOD = LENGTH - FADE_SAMPLES


def sounds() -> list[Array]:
    """Three sounds that differ in their sign and size, and one of another length."""
    n = np.arange(LENGTH)
    wave = np.sin(2 * np.pi * 500 * n / 48_000)
    return [wave, -0.5 * wave, 0.25 * wave, np.cos(2 * np.pi * 300 * n[:4800] / 48_000)]


def test_it_begins_with_a_ramp_and_goes_on_as_it_is() -> None:
    loop = SwitchedLoop(sounds())
    assert not loop.at(-1000, 1000).any()
    loop.hear(1)
    assert not loop.at(-1000, 1000).any()  # still ahead of the beginning
    heard = loop.at(0, PERIOD)
    n = np.arange(PERIOD)
    gain = np.where(n < FADE_SAMPLES, 0.5 - 0.5 * np.cos(np.pi * (n + 0.5) / FADE_SAMPLES), 1.0)
    np.testing.assert_allclose(heard[FADE_SAMPLES:], sounds()[1][FADE_SAMPLES:PERIOD], atol=1e-12)
    assert np.all(np.abs(heard[:FADE_SAMPLES]) <= gain[:FADE_SAMPLES])
    assert loop.place(2000) == 2000


@pytest.mark.parametrize("cut", [1, 333, 1024])
def test_a_switch_stays_in_step(cut: int) -> None:
    """Behind the fade each sample is the other sound's own; in it, a raised cosine's share."""
    loop = SwitchedLoop(sounds())
    loop.hear(0)
    loop.at(0, 3000)
    loop.hear(2)
    heard = np.concatenate([loop.at(first, cut) for first in range(3000, 6000, cut)])
    n = np.arange(len(heard))
    share = np.where(n < FADE_SAMPLES, 0.5 - 0.5 * np.cos(np.pi * (n + 0.5) / FADE_SAMPLES), 1.0)
    first, third = (sounds()[number][3000:][: len(heard)] for number in (0, 2))
    np.testing.assert_allclose(heard, first + share * (third - first), atol=1e-12)


def test_the_end_goes_into_the_beginning() -> None:
    """Round for ever with the period of the loop, and no step larger than the sound's own."""
    ramp = np.linspace(0.0, 1.0, LENGTH)  # ends far from where it begins
    loop = SwitchedLoop([ramp])
    loop.hear(0)
    heard = loop.at(0, 4 * PERIOD)
    np.testing.assert_allclose(heard[FADE_SAMPLES:PERIOD], ramp[FADE_SAMPLES:PERIOD], atol=1e-12)
    np.testing.assert_allclose(heard[PERIOD : 2 * PERIOD], heard[2 * PERIOD : 3 * PERIOD])
    assert np.abs(np.diff(heard[PERIOD - 100 :])).max() < 1.1 * np.pi / 2 / FADE_SAMPLES


def test_changes_in_quick_succession() -> None:
    """Every 100 samples another one of four equal sounds: nothing is heard of it."""
    steady = np.ones(LENGTH)
    loop = SwitchedLoop([steady] * 4)
    loop.hear(0)
    loop.at(0, FADE_SAMPLES)
    parts = []
    for number in range(60):
        loop.hear(number % 4)
        parts.append(loop.at(FADE_SAMPLES + 100 * number, 100))
    np.testing.assert_allclose(np.concatenate(parts), 1.0, atol=1e-12)


def test_pause_and_going_on() -> None:
    loop = SwitchedLoop(sounds())
    loop.hear(0)
    loop.at(0, 2000)
    loop.hear(None)
    silence = loop.at(2000, 3000)
    assert not silence[FADE_SAMPLES:].any()
    assert loop.place(4000) == 2000
    loop.hear(1)
    heard = loop.at(5000, 2000)
    np.testing.assert_allclose(
        heard[FADE_SAMPLES:], sounds()[1][2000 + FADE_SAMPLES : 4000], atol=1e-12
    )


def test_another_sound_from_its_start() -> None:
    loop = SwitchedLoop(sounds())
    loop.hear(0)
    loop.at(0, 2000)
    loop.hear(3, from_start=True)
    heard = loop.at(2000, 2000)
    np.testing.assert_allclose(heard[FADE_SAMPLES:], sounds()[3][FADE_SAMPLES:2000], atol=1e-12)
    assert loop.place(3000) == 1000


def test_it_ends_where_it_is_told() -> None:
    loop = SwitchedLoop(sounds())
    loop.hear(0)
    loop.at(0, 2000)
    assert loop.samples is None
    ending = loop.ending_at(2000 + loop.ramp_samples)
    heard = ending.at(2000, 1000)
    assert ending.samples == 2000 + FADE_SAMPLES
    assert heard[: FADE_SAMPLES // 2].any()
    assert not heard[FADE_SAMPLES:].any()
