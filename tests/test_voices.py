"""The shipped voices: they load, are as wide as they say, and are quick enough to talk with."""

import numpy as np
import pytest
from numpy.typing import NDArray

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

AUDIO_HZ = {"crowded-band": 3000, "everyday": 4000, "dense": 4000, "gentle": 4000, "wide": 5000}
WARM_UP_S, SECONDS = 2, 6


@pytest.fixture(scope="module", params=AUDIO_HZ)
def shaped(request: pytest.FixtureRequest) -> tuple[float, NDArray[np.float64]]:
    """A voice's bandwidth and what it makes of syllables of white noise; the rig is flat."""
    t = np.arange(SECONDS * round(SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    syllables = 0.1 * np.random.default_rng(7).standard_normal(len(t)) * (t % 0.25 < 0.15)
    chain = Chain(presets.voice(request.param), presets.rig("dc-coupled"))
    return AUDIO_HZ[request.param], chain.process(syllables)[WARM_UP_S * 48_000 :]


def level_db(audio: NDArray[np.float64], from_hz: float, to_hz: float) -> float:
    """Mean power per hertz in a band, in dB."""
    bins = np.abs(np.fft.rfft(audio * np.blackman(len(audio)))) ** 2
    frequency_hz = np.fft.rfftfreq(len(audio), 1 / SAMPLE_RATE_HZ)
    return float(10 * np.log10(bins[(frequency_hz >= from_hz) & (frequency_hz < to_hz)].mean()))


def test_six_voices_ship() -> None:
    assert presets.names("voices") == sorted([*AUDIO_HZ, "bypass"])


@pytest.mark.parametrize("name", [*AUDIO_HZ, "bypass"])
def test_voice_loads_without_a_warning_and_says_what_it_is_for(name: str) -> None:
    voice = presets.voice(name)
    assert voice.warnings == ()
    assert len(voice.description) > 20


def test_passes_up_to_the_stated_bandwidth(shaped: tuple[float, NDArray[np.float64]]) -> None:
    """The last 10 % below the edge are within 6 dB of the band from 1.5 kHz up to there."""
    edge_hz, audio = shaped
    top = level_db(audio, 0.88 * edge_hz, 0.98 * edge_hz)
    assert top == pytest.approx(level_db(audio, 1500.0, 0.88 * edge_hz), abs=6.0)


def test_nothing_beyond_1_25_times_the_bandwidth(shaped: tuple[float, NDArray[np.float64]]) -> None:
    """At least 70 dB under the density in the band, up to half the sample rate."""
    edge_hz, audio = shaped
    assert level_db(audio, 1.26 * edge_hz, 24_000.0) < level_db(audio, 500.0, edge_hz) - 70.0


def test_default_voice_is_at_most_15_ms_late() -> None:
    chain = Chain(presets.voice(presets.DEFAULT_VOICE), presets.rig(presets.DEFAULT_RIG))
    assert chain.latency_samples <= 0.015 * SAMPLE_RATE_HZ


def test_gentle_has_no_clipper_and_bypass_no_stage() -> None:
    assert "clipper" not in [stage.kind for stage in presets.voice("gentle").stages]
    assert presets.voice("bypass").stages == ()
