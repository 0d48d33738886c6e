import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from carrierfloor.dsp.activity import ActiveSpeech, ActiveSpeechMeter

Array = NDArray[np.float64]

RATE_HZ = 48_000
TIME_CONSTANT_S, HANGOVER_S, MARGIN_DB = 0.03, 0.2, 15.9  # ITU-T P.56


def keyed_tone(amplitude: float, on_s: float, off_s: float, repeats: int) -> Array:
    t = np.arange(round((on_s + off_s) * RATE_HZ)) / RATE_HZ
    tone = np.where(t < on_s, amplitude * np.sin(2 * np.pi * 1000 * t), 0.0)
    return np.tile(tone, repeats)


def expected(amplitude: float, on_s: float, off_s: float) -> tuple[float, float]:
    """Solve P.56 for a keyed tone in closed form.

    The rectified tone has the mean 2A/pi.  Two equal poles answer a step with 1 - (1 + x) e^-x,
    x = t/T, so the envelope passes the threshold c at (1 + x) e^-x = 1 - c pi/2A when the tone
    begins and at (1 + x) e^-x = c pi/2A when it ends; the hangover follows.
    """

    def time_s(left: float) -> float:
        x: float = brentq(lambda x: (1 + x) * np.exp(-x) - left, 0.0, 50.0)
        return TIME_CONSTANT_S * x

    def active_s(threshold: float) -> float:
        part = threshold * np.pi / (2 * amplitude)
        return min(on_s + off_s, on_s - time_s(1 - part) + time_s(part) + HANGOVER_S)

    def level_db(threshold: float) -> float:
        return 10 * math.log10(amplitude**2 / 2 * on_s / active_s(threshold))

    highest_db = 20 * np.log10(0.999 * 2 * amplitude / np.pi)
    at_db = brentq(lambda c: level_db(10 ** (c / 20)) - c - MARGIN_DB, -90.0, highest_db)
    return level_db(10 ** (at_db / 20)), active_s(10 ** (at_db / 20)) / (on_s + off_s)


def measure(signal: Array, cut: int | None = None) -> ActiveSpeech:
    meter = ActiveSpeechMeter()
    for start in range(0, len(signal), cut or len(signal)):
        meter.feed(signal[start : start + (cut or len(signal))])
    return meter.read()


@pytest.mark.parametrize("amplitude", [1.0, 0.25, 0.01])
@pytest.mark.parametrize(("on_s", "off_s"), [(1.0, 1.0), (0.5, 1.5), (2.0, 0.1), (1.0, 4.0)])
def test_keyed_tone(amplitude: float, on_s: float, off_s: float) -> None:
    """ITU-T P.56 method B solved in closed form for a tone keyed on and off."""
    level_db, activity = expected(amplitude, on_s, off_s)
    found = measure(keyed_tone(amplitude, on_s, off_s, repeats=8))
    assert found.active_db == pytest.approx(level_db, abs=0.01)
    assert found.activity == pytest.approx(activity, abs=0.002)


def test_agrees_with_the_definition_sample_by_sample() -> None:
    """P.56 written out as in the Recommendation: one counter and one hangover a threshold."""
    rng = np.random.default_rng(7)
    signal = rng.standard_normal(3 * RATE_HZ) * np.repeat([0.3, 0.0, 0.02, 0.4, 0.001, 0.1], 24_000)
    meter = ActiveSpeechMeter()
    meter.feed(signal)
    envelope = np.zeros(len(signal))
    first = second = 0.0
    g = np.exp(-1 / (RATE_HZ * TIME_CONSTANT_S))
    for i, x in enumerate(np.abs(signal)):
        first = g * first + (1 - g) * x
        second = g * second + (1 - g) * first
        envelope[i] = second
    above_db = []
    levels = []
    for threshold in 2.0 ** (np.arange(-64, 13) / 4):
        active, hang = 0, round(HANGOVER_S * RATE_HZ)
        limit = hang
        for loud in envelope >= threshold:
            hang = 0 if loud else hang + 1
            active += hang <= limit
        if active:
            levels.append(10 * np.log10(np.sum(signal**2) / active))
            above_db.append(levels[-1] - 20 * np.log10(threshold))
    expected_db = np.interp(-MARGIN_DB, -np.array(above_db), levels)
    assert meter.read().active_db == pytest.approx(expected_db, abs=1e-3)


def test_continuous_noise_is_active_all_the_time() -> None:
    """Noise without a pause has its own rms as active level (P.56: activity 100 %)."""
    found = measure(0.1 * np.random.default_rng(1).standard_normal(20 * RATE_HZ))
    assert found.activity == pytest.approx(1.0, abs=0.002)
    assert found.active_rms == pytest.approx(0.1, rel=0.005)


def test_level_follows_gain_and_activity_does_not() -> None:
    """P.56 works on ratios: 12.04 dB (a factor of 4) more signal, 12.04 dB more level."""
    signal = keyed_tone(0.1, 0.7, 0.9, repeats=5)
    soft, loud = measure(signal), measure(4.0 * signal)
    assert loud.active_db - soft.active_db == pytest.approx(20 * np.log10(4.0), abs=1e-9)
    assert loud.activity == pytest.approx(soft.activity, abs=1e-12)


def test_leading_and_trailing_silence_do_not_count() -> None:
    """The level is that of the speech, however long the pauses around it."""
    tone = keyed_tone(0.2, 1.0, 1.0, repeats=3)
    pause = np.zeros(20 * RATE_HZ)
    padded = measure(np.concatenate([pause, tone, pause]))
    assert padded.active_db == pytest.approx(measure(tone).active_db, abs=0.02)


@pytest.mark.parametrize("cut", [1, 7, 480, 4096])
def test_blocks_join_without_a_seam(cut: int) -> None:
    signal = keyed_tone(0.3, 0.11, 0.3, repeats=3)
    assert measure(signal, cut) == measure(signal)


def test_silence_and_nothing_have_no_level() -> None:
    assert measure(np.zeros(RATE_HZ)).activity == 0.0
    assert measure(np.zeros(RATE_HZ)).active_db == -np.inf
    assert ActiveSpeechMeter().read().active_rms == 0.0


def test_reset_forgets() -> None:
    meter = ActiveSpeechMeter()
    signal = keyed_tone(0.3, 0.4, 0.3, repeats=2)
    meter.feed(signal)
    before = meter.read()
    meter.reset()
    assert meter.read().activity == 0.0
    meter.feed(signal)
    assert meter.read() == before


def test_level_does_not_depend_on_where_the_thresholds_fall() -> None:
    """One voice near, one 18 dB weaker: any gain gives the same level, less that gain."""
    rng = np.random.default_rng(3)
    near_and_far = rng.standard_normal(8 * RATE_HZ) * np.repeat([0.4, 0.05, 0.4, 0.05], 96_000)
    levels_db = [
        measure(10 ** (gain_db / 20) * near_and_far).active_db - gain_db
        for gain_db in (-3.0, -2.0, -1.0, 0.0, 1.0, 2.0)
    ]
    assert max(levels_db) - min(levels_db) < 0.05
