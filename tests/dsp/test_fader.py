"""The ramps at the ends of a recording against the raised cosine's closed form."""

import numpy as np

from carrierfloor.dsp.fader import EDGE_SAMPLES, build_fader, end_fader
from tests.dsp.contract import in_pieces


def raised_cosine() -> np.ndarray:
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * (np.arange(EDGE_SAMPLES) + 0.5) / EDGE_SAMPLES))


def test_ramps_sit_at_the_recording_edges() -> None:
    fader = build_fader(100)
    end_fader(fader.state, 100 + 2000)
    out = fader.process(np.ones(3000))
    expected = np.zeros(3000)
    expected[100:2100] = 1.0
    expected[100 : 100 + EDGE_SAMPLES] = raised_cosine()
    expected[2100 - EDGE_SAMPLES : 2100] = raised_cosine()[::-1]
    np.testing.assert_allclose(out, expected, atol=1e-12)


def test_a_late_end_has_a_shorter_ramp() -> None:
    fader = build_fader(0)
    before = fader.process(np.ones(1000))
    end_fader(fader.state, 1060)
    after = fader.process(np.ones(200))
    assert before[-1] == 1.0
    assert np.all(np.diff(after[:60]) < 0.0)
    np.testing.assert_array_equal(after[60:], 0.0)


def test_cuts_change_nothing() -> None:
    noise = np.random.default_rng(0).standard_normal(4000)
    first, second = build_fader(33), build_fader(33)
    for fader in (first, second):
        end_fader(fader.state, 3500)
    np.testing.assert_array_equal(in_pieces(first, noise, [1, 77, 128]), second.process(noise))
