"""The predictive limiter, judged by the analogue path in the frequency domain."""

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.limiter import LimitedPath, build_limiter
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.path_model import digital_sections
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.stage import HOP, Block, CompiledStage
from tests.reference import antenna

NEGATIVE, POSITIVE = 0.95, 1.25
FLAT: list[antenna.SectionRow] = []
TRANSFORMER: list[antenna.SectionRow] = [
    {"kind": "highpass", "corner_hz": 40.0, "q": 0.7},
    {"kind": "lowpass", "corner_hz": 7000.0, "q": 0.7},
]
RESONANT: list[antenna.SectionRow] = [
    {"kind": "highpass", "corner_hz": 40.0, "q": 1.5},
    {"kind": "lowpass", "corner_hz": 5000.0, "q": 2.0},
]


def limited(*paths: list[antenna.SectionRow]) -> CompiledStage:
    models = [Path(name="path", sections=tuple(Section(**row) for row in rows)) for rows in paths]
    return build_limiter(
        [
            LimitedPath(
                sections=digital_sections(model)[0],
                negative_ceiling=NEGATIVE,
                positive_ceiling=POSITIVE,
            )
            for model in models
        ]
    )


def band_limited_noise(seconds: float, level: float) -> Block:
    taps = signal.firwin(241, 4450.0, fs=48_000, window=("kaiser", 8.0))
    white = np.random.default_rng(3).standard_normal(int(48_000 * seconds))
    return np.asarray(level * signal.oaconvolve(white, taps))


def run(stage: CompiledStage, audio: Block) -> Block:
    """Whole hops, with silence enough for everything to come out."""
    padded = np.concatenate([audio, np.zeros(4 * HOP)])
    return stage.process(padded[: len(padded) // HOP * HOP])


@pytest.mark.parametrize("rows", [FLAT, TRANSFORMER, RESONANT])
@pytest.mark.parametrize("level", [1.0, 100.0])
def test_holds_both_ceilings_and_uses_them(rows: list[antenna.SectionRow], level: float) -> None:
    """Independent judge: analogue path in the frequency domain, 32 times interpolated."""
    stage = limited(rows)
    out = run(stage, band_limited_noise(0.5, level))
    verdict = antenna.judge(out, 48_000, 1.0, rows)
    assert NEGATIVE - 0.002 < verdict.trough <= NEGATIVE + 1e-4
    assert verdict.crest <= POSITIVE + 1e-4
    meters = stage.meters
    assert meters["antenna_negative_peak_pct"] == pytest.approx(100 * verdict.trough, abs=0.02)
    assert meters["antenna_positive_peak_pct"] == pytest.approx(100 * verdict.crest, abs=0.02)
    assert meters["mutes"] == 0


def test_holds_several_paths_at_once() -> None:
    out = run(limited(FLAT, TRANSFORMER, RESONANT), band_limited_noise(0.5, 2.0))
    for rows in (FLAT, TRANSFORMER, RESONANT):
        verdict = antenna.judge(out, 48_000, 1.0, rows)
        assert verdict.trough <= NEGATIVE + 1e-4
        assert verdict.crest <= POSITIVE + 1e-4


def test_what_fits_passes_unchanged() -> None:
    """Not one bit changes while no ceiling is near."""
    stage = limited(TRANSFORMER)
    audio = band_limited_noise(0.2, 0.1)
    out = run(stage, audio)
    late = stage.latency_samples
    np.testing.assert_array_equal(out[late : late + len(audio)], audio)
    assert stage.meters["gain_reduction_max_db"] == 0.0


def test_slow_rise_through_a_flat_path_is_held() -> None:
    """A 20 Hz tone has no top inside the look-ahead while it passes the ceiling."""
    tone = 1.5 * np.sin(2 * np.pi * 20.0 * np.arange(24_000) / 48_000)
    out = run(limited(FLAT), tone * np.hanning(24_000) ** 0.1)
    assert -out.min() <= NEGATIVE
    assert out.max() == pytest.approx(POSITIVE, abs=1e-3)


def test_can_always_stop() -> None:
    """Sound that ends at any moment leaves a resonant path that rings within its ceilings."""
    audio = band_limited_noise(0.3, 3.0)
    audio += 2.0 * np.sin(2 * np.pi * 45.0 * np.arange(len(audio)) / 48_000)
    for end in range(6000, 12_000, 739):
        stage = limited(RESONANT)
        left = np.clip((end - np.arange(len(audio))) / 48.0, 0.0, 1.0)
        cut = audio * (0.5 - 0.5 * np.cos(np.pi * left))  # within 1 ms
        verdict = antenna.judge(run(stage, cut), 48_000, 1.0, RESONANT)
        assert verdict.trough <= NEGATIVE + 1e-3
        assert verdict.crest <= POSITIVE + 1e-3


def test_gain_is_smooth() -> None:
    """The gain of a single loud click falls and rises over 3 ms, without a corner."""
    stage = limited(FLAT)
    audio = np.full(20 * HOP, 0.5)
    audio[1000] = 5.0
    gain = stage.process(audio)[stage.latency_samples :] / audio[: -stage.latency_samples]
    assert gain.min() == pytest.approx((POSITIVE - 2e-4) / 5.0, rel=0.02)
    assert np.abs(np.diff(gain)).max() < 0.03
    np.testing.assert_array_equal(gain[:700], 1.0)
    np.testing.assert_array_equal(gain[1300:], 1.0)


def test_reset_is_fresh() -> None:
    stage, audio = limited(TRANSFORMER), band_limited_noise(0.1, 3.0)
    first = run(stage, audio)
    stage.reset()
    np.testing.assert_array_equal(run(stage, audio), first)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e10, -1e300])
def test_an_impossible_sample_is_muted_with_a_fade(value: float) -> None:
    """No gap, which would be a step: silence where it is, and 3 ms of fade on either side."""
    stage, audio = limited(TRANSFORMER), band_limited_noise(0.2, 1.0)
    audio[4000:4100:7] = value
    out = run(stage, audio)[stage.latency_samples :]
    verdict = antenna.judge(out, 48_000, 1.0, TRANSFORMER)
    assert verdict.trough <= NEGATIVE + 1e-4
    assert verdict.crest <= POSITIVE + 1e-4
    np.testing.assert_array_equal(out[4000:4098:7], 0.0)
    assert np.abs(out[3995:4105]).max() < 0.01
    assert np.abs(out[:3800]).max() > 0.5 < np.abs(out[4300:]).max()
    assert stage.meters["impossible_samples"] == 15


def test_a_steady_tone_loses_nothing() -> None:
    """A 1 kHz tone 10 dB over reaches the ceiling, not a percent less."""
    tone = 3.0 * np.sin(2 * np.pi * 1000.0 * np.arange(9600) / 48_000)
    stage = limited(FLAT)
    run(stage, tone)
    assert stage.meters["antenna_negative_peak_pct"] == pytest.approx(94.98, abs=0.02)


def test_refuses_too_many_paths() -> None:
    with pytest.raises(SettingError, match="a rig has 12 of them; it may have 0 to 11"):
        limited(*[FLAT] * 13)
