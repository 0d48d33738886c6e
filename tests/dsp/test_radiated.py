"""What is radiated: flat and whole below 100 %, cut off beyond, and the scaling to the limit."""

import tracemalloc

import numpy as np
import pytest

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.radiated import radiated, scaled_to_limit
from tests.clips import Array, rig, sound
from tests.reference import nasty
from tests.reference.antenna import judge_paths

RATE_HZ = 48_000
FULL = 10 ** (-6 / 20)


def tone(m: float) -> Array:
    return np.asarray(m * FULL * np.sin(2 * np.pi * 1000 * np.arange(RATE_HZ) / RATE_HZ))


def harmonics(signal: Array, count: int) -> Array:
    """Amplitudes at 0, 1, 2, ... kHz over the middle half."""
    middle = signal[RATE_HZ // 4 : 3 * RATE_HZ // 4]
    lines = np.abs(np.fft.rfft(middle)) / len(middle)
    lines[1:] *= 2
    return np.asarray(lines[:: 1000 * len(middle) // RATE_HZ][:count])


def test_below_cut_off_it_is_the_modulation() -> None:
    """A flat rig: as it went in, with the rig's polarity."""
    card = tone(0.9)
    for polarity, sign in (("normal", 1.0), ("inverted", -1.0)):
        found = radiated(card, rig(polarity=polarity))
        np.testing.assert_allclose(found[2000:-2000], sign * card[2000:-2000] / FULL, atol=1e-4)


@pytest.mark.parametrize("m", [1.1, 1.5])
def test_beyond_it_the_carrier_is_off(m: float) -> None:
    """Fourier coefficients of max(0, 1 + m sin x), by a sum over a period."""
    x = 2 * np.pi * (np.arange(100_000) + 0.5) / 100_000
    envelope = np.maximum(0.0, 1.0 + m * np.sin(x)) - 1.0
    expected = [2 * abs(np.mean(envelope * np.exp(-1j * n * x))) for n in range(8)]
    expected[0] /= 2
    np.testing.assert_allclose(harmonics(radiated(tone(m), rig()), 8), expected, atol=2e-4)


def test_a_long_phrase_does_not_become_large() -> None:
    """At 192 kHz it would be four times as large as it is, and so would each copy of it."""
    phrase = np.resize(tone(0.9), 30 * RATE_HZ)
    tracemalloc.start()
    try:
        radiated(phrase, rig())
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 3 * phrase.nbytes


@pytest.mark.parametrize("paths", ["none", "three paths at once"])
def test_scaled_speech_just_meets_the_limit(paths: str) -> None:
    """Judged by the analogue paths in the frequency domain; the worst one counts."""
    table = rig(nasty.PATHS[paths])
    card = scaled_to_limit(3.0 * sound("plosives_male_slow")[:96_000], table)
    assert judge_paths(card, RATE_HZ, FULL, nasty.PATHS[paths]).trough == pytest.approx(
        0.95, abs=1e-3
    )


def test_silence_has_no_limit() -> None:
    with pytest.raises(AudioError, match="silent"):
        scaled_to_limit(np.zeros(4800), rig())
