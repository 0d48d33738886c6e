"""A sweep known by its samples alone."""

from collections.abc import Callable

import numpy as np
import pytest

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.signals import Sweep
from carrierfloor.dsp.sweep_recognition import recognise
from tests import clips, measured
from tests.clips import Array


def in_16_bit(samples: measured.Array) -> measured.Array:
    """Round with triangular dither, as the command writes it."""
    random = np.random.default_rng(1)
    dither = random.random(len(samples)) - random.random(len(samples))
    return np.asarray(np.round(samples * 32_768 + dither) / 32_768)


@pytest.mark.parametrize(
    ("lowest_hz", "highest_hz", "seconds", "rate_hz", "peak", "ramp_samples", "silence"),
    [
        (20.0, 10_000.0, 10.0, 48_000, 0.1, 2400, 0),  # the command's own
        (20.0, 10_000.0, 2.0, 48_000, -0.01, 2400, 4811),
        (50.0, 5000.0, 5.0, 44_100, 0.5, 240, 100),
        (1000.0, 1100.0, 3.0, 48_000, 0.1, 2400, 77),  # as good as a straight sweep
        (5.0, 20_000.0, 4.0, 96_000, 0.9, 4800, 0),
        (20.0, 10_000.0, 0.5, 48_000, 0.1, 2400, 9),
        (20.0, 10_000.0, 20.0, 96_000, 0.1, 4800, 0),  # long, for a noisy capture
    ],
)
def test_finds_the_sweep_that_was_written(
    lowest_hz: float,
    highest_hz: float,
    seconds: float,
    rate_hz: int,
    peak: float,
    ramp_samples: int,
    silence: int,
) -> None:
    """All numbers come back from 16 dithered bits."""
    sent = measured.ramped(lowest_hz, highest_hz, seconds, peak, rate_hz, ramp_samples)
    quiet = np.zeros(silence)
    found = recognise(in_16_bit(np.concatenate([quiet, measured.samples_of(sent), quiet])), rate_hz)
    assert found.sweep.lowest_hz == pytest.approx(lowest_hz, rel=1e-5)
    assert found.sweep.highest_hz == pytest.approx(highest_hz, rel=1e-5)
    assert found.sweep.samples == sent.samples
    assert found.peak == pytest.approx(peak, rel=1e-3)
    assert found.ramp_samples == pytest.approx(ramp_samples, abs=1)
    assert (found.first_sample, found.end_sample) == (silence, silence + (sent.samples or 0))
    again = measured.samples_of(found.played)
    np.testing.assert_allclose(again, measured.samples_of(sent), atol=2e-3 * abs(peak))


def _time(seconds: float) -> measured.Array:
    return np.arange(round(seconds * 48_000)) / 48_000


NO_SWEEPS: dict[str, Callable[[], Array]] = {
    "speech": lambda: clips.sound("whisper_male"),
    "noise": lambda: np.random.default_rng(2).standard_normal(96_000),
    "tone": lambda: np.sin(2 * np.pi * 440.0 * _time(2.0)),
    "straight sweep": lambda: np.sin(2 * np.pi * 500.0 * _time(2.0) ** 2),
    "constant": lambda: np.full(48_000, 0.5),
    "backwards": lambda: measured.played()[::-1],
    "two of them": lambda: np.tile(measured.played(2.0), 2),
    "beginning cut off": lambda: measured.played()[20_000:],
    "capture": lambda: measured.captured(measured.PLAIN),
}


@pytest.mark.parametrize("name", NO_SWEEPS)
def test_refuses_what_is_no_sweep(name: str) -> None:
    with pytest.raises(AudioError, match=r"no exponential sweep|beginning is missing"):
        recognise(NO_SWEEPS[name](), 48_000)


@pytest.mark.parametrize("samples", [np.zeros(48_000), np.zeros(0), np.full(100, 1e-6)])
def test_refuses_silence(samples: measured.Array) -> None:
    with pytest.raises(AudioError, match="the sweep is silent"):
        recognise(samples, 48_000)


def test_refuses_numbers_that_are_none() -> None:
    with pytest.raises(AudioError, match="no numbers"):
        recognise(np.array([0.1, np.nan, 0.2]), 48_000)


def test_knows_the_ratio_of_time_to_frequency() -> None:
    """L = T / ln(f2 / f1): 1.08574 s for 50 Hz to 5 kHz in 5 s, worked out by hand."""
    found = recognise(measured.samples_of(measured.ramped(50.0, 5000.0, 5.0)), 48_000)
    assert isinstance(found.sweep, Sweep)
    assert found.sweep.time_constant_s == pytest.approx(1.08574, abs=1e-5)
