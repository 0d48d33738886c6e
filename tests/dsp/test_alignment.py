"""Putting recordings in step: known lags, upside down, processed, on another clock, not there."""

import numpy as np
import pytest

from carrierfloor.dsp.alignment import IN_STEP_SAMPLES, aligned
from carrierfloor.dsp.errors import AudioError
from tests import clips
from tests.clips import Array

RATE_HZ = 48_000
SPEECH = clips.sound("F1_harvard_phrases")[RATE_HZ : 4 * RATE_HZ]


def moved(samples: Array, lag: int) -> Array:
    """Silence first, or the beginning left out."""
    return np.concatenate([np.zeros(lag), samples]) if lag > 0 else samples[-lag:]


@pytest.mark.parametrize(("lag", "gain"), [(12_345, 0.1), (-1_001, -2.0)])
def test_the_lag_is_found_to_the_sample(lag: int, gain: float) -> None:
    """Louder or weaker, upside down: it is the same sound."""
    found = aligned(gain * moved(SPEECH, lag), SPEECH)
    assert found.lag_samples == lag
    assert found.drift_samples == 0
    assert len(found.samples) == len(SPEECH)
    inside = slice(max(0, -lag), None)
    np.testing.assert_array_equal(found.samples[inside], gain * SPEECH[inside])
    assert found.missing_samples == max(0, -lag)


@pytest.mark.parametrize("half", [slice(RATE_HZ * 3 // 2), slice(RATE_HZ * 3 // 2, None)])
def test_half_a_recording_has_no_drift(half: slice) -> None:
    """What is not there is silent, and tells nothing of clocks."""
    found = aligned(SPEECH[half], SPEECH)
    assert found.drift_samples == 0
    assert found.missing_samples == len(SPEECH) // 2
    kept = np.zeros(len(SPEECH))
    kept[half] = SPEECH[half]
    np.testing.assert_array_equal(found.samples, kept)


def test_processed_speech_stays_in_step() -> None:
    """The chain's latency is known; what its phase rotation does is no lag."""
    chain = clips.chain("everyday", "none")
    out = clips.run(chain, SPEECH)[chain.latency_samples :][: len(SPEECH)]
    found = aligned(out, SPEECH)
    assert found.lag_samples == 0
    np.testing.assert_array_equal(found.samples, out)
    assert abs(aligned(moved(out, 5000), SPEECH).lag_samples - 5000) < IN_STEP_SAMPLES // 3


def test_another_clock_is_noticed() -> None:
    """80 ppm fast: in three seconds the halves are 1.5 s x 80 ppm apart, 6 samples."""
    n = np.arange(len(SPEECH))
    recorded = np.interp(n * (1 + 80e-6), n, SPEECH)
    assert aligned(recorded, SPEECH).drift_samples == pytest.approx(-6, abs=2)


def test_something_else() -> None:
    with pytest.raises(AudioError, match="not in this recording"):
        aligned(clips.sound("M1_harvard_phrases")[: 3 * RATE_HZ], SPEECH)
