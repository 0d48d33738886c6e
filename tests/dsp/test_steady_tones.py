"""Finding steady tones in long recordings: where they are, and what is said if there is none."""

import numpy as np
import pytest
from numpy.typing import NDArray

from carrierfloor.dsp.harmonics import OneTone
from carrierfloor.dsp.intermodulation import TwoTones
from carrierfloor.dsp.steady_tones import MOST_RUNS, SteadyReport, SteadyTones
from tests.clips import SPOKEN, sound

Array = NDArray[np.float64]
RATE_HZ = 48_000.0


def cosine(frequency_hz: float, seconds: float) -> Array:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(np.cos(2 * np.pi * frequency_hz * t))


def find(*parts: Array, cut: int = 4800, locked: NDArray[np.bool_] | None = None) -> SteadyReport:
    samples = np.concatenate(parts)
    tones = SteadyTones(8000.0)
    for start in range(0, len(samples), cut):
        here = slice(start, start + cut)
        tones.feed(samples[here], None if locked is None else locked[here])
    return tones.read()


def test_a_staircase_gives_one_run_for_each_level() -> None:
    levels = (0.1, 0.3, 0.5, 0.85)
    report = find(*(level * cosine(1000.0, 1.6) for level in levels))
    assert len(report.runs) == 4
    for number, (run, level) in enumerate(zip(report.runs, levels, strict=True)):
        assert isinstance(run.reading, OneTone)
        assert run.reading.amplitude == pytest.approx(level, rel=1e-6)
        assert run.start_s == pytest.approx(1.6 * number, abs=0.26)
        assert 0.75 <= run.duration_s <= 1.6


def test_one_and_two_tones_between_speech_are_found() -> None:
    report = find(
        sound("evening_round_male")[: 4 * 48_000],
        0.5 * cosine(1000.0, 2.0),
        np.zeros(48_000),
        0.4 * cosine(700.0, 3.0) + 0.4 * cosine(1900.0, 3.0),
    )
    assert [type(run.reading) for run in report.runs] == [OneTone, TwoTones]
    assert report.runs[0].start_s == pytest.approx(4.0, abs=0.3)
    assert report.runs[1].duration_s == pytest.approx(3.0, abs=0.5)
    assert report.why == ""


def _noise(seconds: float) -> Array:
    return 0.2 * np.random.default_rng(1).standard_normal(round(seconds * RATE_HZ))


def test_a_long_tone_is_one_run_and_measured_on_four_seconds() -> None:
    report = find(0.5 * cosine(1000.0, 20.0) + 0.002 * _noise(20.0))
    (run,) = report.runs
    assert run.duration_s == 20.0


def test_the_carrier_going_away_ends_a_run() -> None:
    samples = 0.5 * cosine(1000.0, 6.0)
    locked = np.ones(len(samples), dtype=bool)
    locked[2 * 48_000 : 3 * 48_000] = False
    report = find(samples, locked=locked)
    assert [run.duration_s for run in report.runs] == [2.0, 3.0]
    assert report.runs[1].start_s == 3.0


@pytest.mark.parametrize("clip", list(SPOKEN))
def test_speech_is_no_tone(clip: str) -> None:
    samples = sound(clip)[: 20 * 48_000]
    report = find(samples / np.abs(samples).max())
    assert not report.runs
    assert report.why


def test_more_runs_than_are_kept_are_counted() -> None:
    parts = [0.2 * cosine(3000.0 + 40.0 * n, 0.75) for n in range(MOST_RUNS + 3)]
    report = find(*parts)
    assert len(report.runs) == MOST_RUNS
    assert report.left_out == 3


@pytest.mark.parametrize(
    ("samples", "why"),
    [
        (np.zeros(96_000), "the modulation never reaches 2 %"),
        (_noise(2.0), "the two strongest lines hold less than 60 % of the power, as in speech"),
        (0.5 * cosine(1000.0, 0.6), "none lasts 0.75 s"),
        (np.zeros(100), "there was no carrier for a quarter of a second"),
        (0.05 * cosine(100.0, 3.0), "the strongest line is hum at 100.0 Hz"),
    ],
)
def test_why_there_is_none(samples: Array, why: str) -> None:
    report = find(samples)
    assert not report.runs
    assert why in report.why


@pytest.mark.parametrize("cut", [1000, 12_000, 100_000])
def test_blocks_join_without_a_seam(cut: int) -> None:
    samples = np.concatenate([_noise(0.6), 0.5 * cosine(1000.0, 2.0), _noise(0.3)])
    assert find(samples, cut=cut) == find(samples)
