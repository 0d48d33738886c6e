"""The promise: at the antenna the carrier stays up, whatever is spoken, whatever the path.

Judged by tests/reference/antenna.py: the analogue path in the frequency domain, 32 times
interpolated, from half a second before the first sample until the path has rung out.
"""

from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from tests import clips
from tests.reference import antenna, nasty

TOLERANCE = 0.001  # of full modulation
OTHER_VOICES = [name for name in presets.names("voices") if name != presets.DEFAULT_VOICE]
HARD = ["M2_harvard_phrases", "calm_then_shout_male", "square", "pulse_train_down", "forty_db_over"]


def assert_held(
    card: clips.Array,
    paths: list[list[Any]],
    *,
    rate_hz: float = nasty.RATE_HZ,
    full_modulation: float = 10 ** (-6 / 20),
    negative_limit: float = 0.95,
    positive_limit: float = 1.25,
) -> antenna.Verdict:
    """Assert that the modulation keeps within both limits at the antenna."""
    assert np.isfinite(card).all()
    assert np.abs(card).max() <= 1.0
    # 1.5 million points a second, which is 32 for each sample of 48 kHz, and no more than 32.
    oversampling = min(antenna.OVERSAMPLING, round(antenna.OVERSAMPLING * 48_000 / rate_hz))
    verdict = antenna.judge_paths(card, rate_hz, full_modulation, paths, oversampling)
    assert verdict.trough <= negative_limit + TOLERANCE
    assert verdict.crest <= positive_limit + TOLERANCE
    assert verdict.cutoffs == 0
    return verdict


@pytest.mark.parametrize("path", nasty.PATHS)
@pytest.mark.parametrize("name", clips.ALL_SOUNDS)
def test_default_voice_holds_the_carrier_up(name: str, path: str) -> None:
    card = clips.run(clips.chain(presets.DEFAULT_VOICE, path), clips.sound(name))
    assert_held(card, nasty.PATHS[path])


@pytest.mark.parametrize(
    "path", ["none", "second-order 80 Hz and 6 kHz", "resonant 40 Hz and 5 kHz"]
)
@pytest.mark.parametrize("name", HARD)
@pytest.mark.parametrize("voice", OTHER_VOICES)
def test_other_voices_hold_the_carrier_up(voice: str, name: str, path: str) -> None:
    card = clips.run(clips.chain(voice, path), clips.sound(name))
    assert_held(card, nasty.PATHS[path])


def test_loud_speech_comes_close_to_the_limit() -> None:
    """Holding the carrier up is easy with silence; the default voice uses what is allowed."""
    path = "second-order 40 Hz and 7 kHz"
    chain = clips.chain(presets.DEFAULT_VOICE, path)
    card = clips.run(chain, clips.sound("M2_harvard_phrases"))
    assert assert_held(card, nasty.PATHS[path]).trough > 0.94


@pytest.mark.parametrize(("polarity", "sign"), [("normal", 1.0), ("inverted", -1.0)])
@pytest.mark.parametrize("name", ["F1_harvard_phrases", "pulse_train_up", "pulse_train_down"])
def test_polarity_of_the_rig(name: str, polarity: str, sign: float) -> None:
    """An inverted rig gets the inverted samples, and the two limits change places with them."""
    paths = nasty.PATHS["second-order 40 Hz and 7 kHz"]
    card = clips.run(Chain(clips.voice(), clips.rig(paths, polarity=polarity)), clips.sound(name))
    assert_held(card, paths, full_modulation=sign * 10 ** (-6 / 20))
    normal = clips.run(Chain(clips.voice(), clips.rig(paths)), clips.sound(name))
    np.testing.assert_array_equal(card, sign * normal)


@pytest.mark.parametrize(
    ("negative_pct", "positive_pct", "level_dbfs"),
    [(50.0, 50.0, -6.0), (99.5, 200.0, -12.0), (90.0, 90.0, 0.0), (80.0, 150.0, -4.0)],
)
@pytest.mark.parametrize("name", ["M1_harvard_phrases", "white_noise"])
def test_other_limits_and_levels(
    name: str, negative_pct: float, positive_pct: float, level_dbfs: float
) -> None:
    paths = nasty.PATHS["resonant 40 Hz and 5 kHz"]
    rig = clips.rig(
        paths,
        negative_limit_pct=negative_pct,
        positive_limit_pct=positive_pct,
        full_modulation_dbfs=level_dbfs,
    )
    assert_held(
        clips.run(Chain(clips.voice(), rig), clips.sound(name)),
        paths,
        full_modulation=10 ** (level_dbfs / 20),
        negative_limit=negative_pct / 100,
        positive_limit=positive_pct / 100,
    )


def piece(kind: str, length: int, level: float, seed: int) -> clips.Array:
    """Return a short stretch of one of a few kinds of sound."""
    random = np.random.default_rng(seed)
    t = np.arange(length) / nasty.RATE_HZ
    if kind == "noise":
        return level * random.normal(0.0, 1.0, length)
    if kind == "tone":
        return level * np.sin(2 * np.pi * random.uniform(20, 12_000) * t)
    if kind == "square":
        return level * np.sign(np.sin(2 * np.pi * random.uniform(20, 2000) * t) + 0.3)
    return np.full(length, level * random.choice([-1.0, 1.0]))


PIECES = st.tuples(
    st.sampled_from(["noise", "tone", "square", "constant"]),
    st.integers(1, 6000),
    st.sampled_from([0.0, 0.01, 0.3, 1.0, 30.0]),
    st.integers(0, 10_000),
)


@st.composite
def any_path(draw: st.DrawFn) -> list[dict[str, Any]]:
    """Draw a path that a transmitter could have."""
    high: dict[str, Any] = {"kind": "highpass", "corner_hz": draw(st.floats(5.0, 120.0))}
    low: dict[str, Any] = {"kind": "lowpass", "corner_hz": draw(st.floats(3000.0, 12_000.0))}
    for section in (high, low):
        if draw(st.booleans()):
            section["q"] = draw(st.floats(0.4, 2.0))
    peak = {
        "kind": "peak",
        "centre_hz": draw(st.floats(100.0, 4000.0)),
        "gain_db": draw(st.just(0.0) | st.floats(-6.0, 6.0)),
        "q": draw(st.floats(0.4, 3.0)),
    }
    return draw(st.permutations([high, low, peak]))[: draw(st.integers(1, 3))]


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    pieces=st.lists(PIECES, min_size=1, max_size=6),
    path=any_path(),
    voice=st.sampled_from([presets.DEFAULT_VOICE, "bypass"]),
)
def test_any_sound_through_any_path(
    pieces: list[tuple[str, int, float, int]], path: list[dict[str, Any]], voice: str
) -> None:
    samples = np.concatenate([piece(*one) for one in pieces])
    card = clips.run(Chain(clips.voice(voice), clips.rig([path])), samples)
    assert_held(card, [path])
