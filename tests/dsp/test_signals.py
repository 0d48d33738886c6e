"""Test signals against closed forms, a second implementation and the transmitter's simulation."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal as scipy_signal

from carrierfloor import presets
from carrierfloor.dsp.antenna import Antenna
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.signals import Ramped, Signal, Staircase, Sweep, Tones
from carrierfloor.dsp.speech_noise import SpeechNoise
from tests.clips import Array

RATE_HZ = 48_000
RAMP = 2400


def tones(*frequencies_hz: float) -> Tones:
    return Tones(frequencies_hz=frequencies_hz, sample_rate_hz=RATE_HZ)


def stairs(*levels: float) -> Staircase:
    return Staircase(
        frequency_hz=1000.0,
        sample_rate_hz=RATE_HZ,
        levels=levels,
        hold_samples=12_000,
        glide_samples=RAMP,
    )


def sweep(lowest_hz: float, highest_hz: float, duration_s: float) -> Sweep:
    return Sweep(
        lowest_hz=lowest_hz,
        highest_hz=highest_hz,
        duration_s=duration_s,
        sample_rate_hz=RATE_HZ,
    )


def noise(lowest_hz: float = 50.0, highest_hz: float = 5000.0) -> SpeechNoise:
    return SpeechNoise(lowest_hz=lowest_hz, highest_hz=highest_hz, sample_rate_hz=RATE_HZ)


EVERY: dict[str, Signal] = {
    "sine": tones(1000.0),
    "two-tone": tones(700.0, 1900.0),
    "staircase": stairs(0.25, 0.5, 1.0),
    "staircase for the polarity": replace(stairs(0.5, 1.0, 1.0), uneven_step=1),
    "sweep": sweep(20.0, 10_000.0, 1.0),
    "noise": noise(),
}


def ramped(signal: Signal, samples: int | None = 36_000, peak: float = 0.5) -> Ramped:
    return Ramped(signal=signal, peak=peak, ramp_samples=RAMP, samples=samples)


def whole(signal: Ramped) -> Array:
    return np.concatenate(list(signal.blocks()))


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize("size", [1, 7, 480, 4096])
def test_blocks_join_without_a_seam(name: str, size: int) -> None:
    signal = ramped(EVERY[name])
    starts = range(0, 9000, size)
    parts = np.concatenate([signal.at(first, size) for first in starts])
    np.testing.assert_array_equal(parts, signal.at(0, len(parts)))


@pytest.mark.parametrize("name", EVERY)
def test_it_begins_and_ends_softly_and_keeps_its_level(name: str) -> None:
    signal = ramped(EVERY[name])
    got = whole(signal)
    assert len(got) == 36_000
    assert np.abs(got).max() <= 0.5
    assert abs(got[0]) < 1e-6
    assert abs(got[-1]) < 1e-6
    inside = slice(RAMP, -RAMP)
    np.testing.assert_array_equal(got[inside], 0.5 * EVERY[name].at(0, 36_000)[inside])
    fade = np.sin(0.5 * np.pi * (np.arange(RAMP) + 0.5) / RAMP) ** 2  # a raised cosine
    np.testing.assert_allclose(got[:RAMP], 0.5 * EVERY[name].at(0, RAMP) * fade, atol=1e-15)


@pytest.mark.parametrize("name", EVERY)
def test_silence_before_and_after(name: str) -> None:
    signal = ramped(EVERY[name])
    assert not signal.at(-5000, 5000).any()
    assert not signal.at(36_000, 5000).any()


def test_a_tone_can_be_ended_in_the_middle_without_a_click() -> None:
    """The largest step between two samples of a 1 kHz sine of 0.5 is 0.5 x 2 sin(pi / 48)."""
    endless = ramped(tones(1000.0), samples=None)
    ended = endless.ending_at(10_000 + RAMP)
    got = np.concatenate([endless.at(0, 10_000), ended.at(10_000, 5000)])
    assert np.abs(np.diff(got)).max() <= 0.5 * 2 * math.sin(math.pi / 48) + 1e-12
    assert not got[10_000 + RAMP :].any()
    assert ended.ending_at(99_999).samples == 10_000 + RAMP


def test_days_of_tone_stay_exact() -> None:
    """A sine of 700 Hz is back at its first sample after any number of whole seconds."""
    days = 30 * 86_400 * RATE_HZ
    np.testing.assert_array_equal(tones(700.0).at(days, 480), tones(700.0).at(0, 480))


def test_two_tones_are_two_lines_of_half_the_amplitude() -> None:
    """Over whole periods the transform is exact: a sine of a is a line of a / 2 per side."""
    line = np.abs(np.fft.rfft(tones(700.0, 1900.0).at(0, RATE_HZ))) / RATE_HZ * 2
    expected = np.zeros(len(line))
    expected[[700, 1900]] = 0.5
    np.testing.assert_allclose(line, expected, atol=1e-12)


def test_staircase_holds_each_level() -> None:
    """Amplitude by synchronous detection (times sine and cosine, mean) over whole periods."""
    levels = (0.1, 0.2, 0.5, 1.0)
    got = stairs(*levels).at(0, 4 * 12_000)
    turn = np.exp(2j * np.pi * 1000.0 * np.arange(len(got)) / RATE_HZ)
    for number, level in enumerate(levels):
        held = slice(number * 12_000 + RAMP, (number + 1) * 12_000)
        assert 2 * abs(np.mean(got[held] * turn[held])) == pytest.approx(level, rel=1e-12)
    assert np.abs(np.diff(got)).max() <= 2 * math.sin(math.pi / 48) + 1e-12  # no click


def test_the_step_that_tells_the_polarity_is_uneven_either_way() -> None:
    """sin x - (cos 2x) / 2 lies between -3/4 and 3/2; scaled, between -1/2 and 1."""
    for peak in (0.5, -0.5):
        staircase = replace(stairs(1.0, 1.0, 0.5), uneven_step=1, turned_over=peak < 0.0)
        held = ramped(staircase, peak=peak).at(12_000 + RAMP, 12_000 - RAMP)
        assert held.max() == pytest.approx(0.5, rel=1e-9)
        assert held.min() == pytest.approx(-0.25, rel=1e-4)  # between two samples
    with pytest.raises(SettingError, match="twice the frequency is 26000 Hz"):
        replace(stairs(1.0), frequency_hz=13_000.0, uneven_step=0)


@pytest.mark.parametrize(
    ("lowest_hz", "highest_hz", "duration_s", "time_constant_s"),
    [(20.0, 20_000.0, 10.0, 1.44765), (50.0, 5000.0, 5.0, 1.08574), (20.0, 10_000.0, 8.0, 1.28729)],
)
def test_sweep(
    lowest_hz: float, highest_hz: float, duration_s: float, time_constant_s: float
) -> None:
    """Farina 2000: L = T / ln(f2 / f1); the samples against scipy's logarithmic chirp."""
    one = sweep(lowest_hz, highest_hz, duration_s)
    assert one.time_constant_s == pytest.approx(time_constant_s, abs=5e-6)
    t = np.arange(one.samples) / RATE_HZ
    other = scipy_signal.chirp(t, lowest_hz, duration_s, highest_hz, "logarithmic", phi=-90)
    np.testing.assert_allclose(one.at(0, one.samples), other, atol=1e-9)


def test_harmonics_of_a_sweep_are_the_sweep_earlier() -> None:
    """Farina 2000: at time t the k-th harmonic has the frequency of time t + L ln k."""
    one = sweep(50.0, 5000.0, 5.0)
    step = 1e-6

    def frequency_hz(t: float) -> float:
        turns = [
            one.lowest_hz * one.time_constant_s * math.expm1(at / one.time_constant_s)
            for at in (t - step, t + step)
        ]
        return (turns[1] - turns[0]) / (2 * step)

    for k in (2, 3, 4):
        later = one.time_constant_s * math.log(k)
        assert frequency_hz(1.0 + later) == pytest.approx(k * frequency_hz(1.0), rel=1e-6)
    crossings = np.count_nonzero(np.diff(np.signbit(one.at(0, one.samples))))
    turns = one.time_constant_s * (5000.0 - 50.0)  # f1 L (f2 / f1 - 1)
    assert crossings == pytest.approx(2 * turns, abs=2)


@pytest.mark.parametrize("rig_name", ["plate-modulated", "low-level-exciter", "no-headroom"])
@pytest.mark.parametrize(
    "signal",
    [
        tones(1000.0),
        tones(45.0),
        tones(700.0, 1900.0),
        stairs(0.25, 0.5, 1.0),
        sweep(20.0, 10_000.0, 4.0),
        noise(),
    ],
    ids=["sine", "low sine", "two-tone", "staircase", "sweep", "noise"],
)
def test_the_peak_behind_a_path(rig_name: str, signal: Signal) -> None:
    """The closed form against a simulation of the analogue path, 8 times finer in time."""
    path = presets.rig(rig_name).paths[0]
    samples = signal.samples or 8 * RATE_HZ
    antenna = Antenna(path)
    blocks = [antenna.process(block) for block in ramped(signal, samples, 1.0).blocks()]
    seen = np.concatenate([*blocks, antenna.finish()])
    fine = scipy_signal.resample_poly(seen, 8, 1)
    assert np.abs(fine).max() == pytest.approx(signal.peak_after(path), rel=0.01)


def test_what_the_rate_cannot_carry_is_refused() -> None:
    for wrong in (24_000.0, 0.0, -5.0, math.nan):
        with pytest.raises(SettingError, match="below half the sample rate"):
            tones(wrong)
    with pytest.raises(SettingError, match=r"at least 1\.1 times lowest"):
        sweep(1000.0, 100.0, 1.0)
    with pytest.raises(ValueError, match="endless"):
        list(ramped(tones(1000.0), None).blocks())
