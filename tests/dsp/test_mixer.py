"""The mixer against closed forms of a gliding oscillator."""

import numpy as np
import pytest

from carrierfloor.dsp.mixer import Mixer

RATE_HZ = 250_000.0


def test_a_chirp_comes_down_to_zero() -> None:
    """exp(j 2 pi (f t + d t^2 / 2)) mixed with frames that glide with it is 1 all along."""
    n = 100_000
    t = np.arange(n) / RATE_HZ
    begin_hz, slope = 30_000.0, 4000.0
    chirp = np.exp(2j * np.pi * (begin_hz + 0.5 * slope * t) * t)
    mixer = Mixer(RATE_HZ, begin_hz)
    ends = np.cumsum([1, 999, 5000, 44_000, 50_000])
    parts, start = [], 0
    for end in ends:
        parts.append(mixer.process(chirp[start:end], begin_hz + slope * end / RATE_HZ))
        start = end
    np.testing.assert_allclose(np.concatenate(parts), 1.0, atol=1e-8)
    middle = np.array([25_000.0, 75_000.0])
    expected = begin_hz + slope * middle / RATE_HZ
    np.testing.assert_allclose(mixer.frequencies_at(middle), expected, rtol=1e-9)


def test_phase_is_unbroken_over_a_jump() -> None:
    mixer = Mixer(RATE_HZ, 1000.0)
    mixer.process(np.ones(1000), 1000.0)
    mixer.jump(5000.0)
    got = mixer.process(np.ones(10), 5000.0)
    phase = 2 * np.pi * (1000.0 * 1000 + 5000.0 * np.arange(10)) / RATE_HZ
    np.testing.assert_allclose(got, np.exp(-1j * phase), atol=1e-11)


def test_hours_of_one_frequency_stay_exact() -> None:
    """20 million samples in uneven frames; the phase is that of the closed form."""
    mixer = Mixer(RATE_HZ, 12_345.678)
    frame = np.ones(199_999)
    for _ in range(100):
        got = mixer.process(frame, 12_345.678)
    last = 100 * 199_999 - 1
    turns = np.remainder(np.longdouble(12_345.678) * last / np.longdouble(RATE_HZ), 1.0)
    assert got[-1] == pytest.approx(np.exp(-2j * np.pi * float(turns)), abs=1e-6)
