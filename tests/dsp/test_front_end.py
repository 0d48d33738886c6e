"""The front end of fast recordings against closed forms of the lines that go in."""

import numpy as np
import pytest

from carrierfloor.dsp.front_end import FrontEnd, is_worthwhile
from carrierfloor.dsp.mixer import Complex

RATE_HZ = 2_400_000.0


def through(front: FrontEnd, samples: Complex, block: int) -> Complex:
    starts = range(0, len(samples), block)
    parts = [front.process(samples[at : at + block]) for at in starts]
    return np.concatenate([*parts, front.finish()])


@pytest.mark.parametrize("offset_hz", [-119_000.0, -5000.0, 0.0, 60_000.0, 119_000.0])
def test_lines_near_the_carrier_come_through_flat_and_in_step(offset_hz: float) -> None:
    t = np.arange(60_000) / RATE_HZ
    front = FrontEnd(RATE_HZ, 310_000.0)
    got = through(front, np.exp(2j * np.pi * (310_000.0 + offset_hz) * t + 1j), 7777)
    out = np.arange(len(got)) / front.sample_rate_hz
    inside = slice(200, -200)
    expected = np.exp(2j * np.pi * offset_hz * out + 1j)
    np.testing.assert_allclose(got[inside], expected[inside], atol=3e-4)
    assert len(got) == len(t) * front.sample_rate_hz / RATE_HZ


@pytest.mark.parametrize("offset_hz", [300_000.0, 421_000.0, -700_000.0])
def test_what_lies_far_away_does_not_fold_onto_it(offset_hz: float) -> None:
    t = np.arange(60_000) / RATE_HZ
    front = FrontEnd(RATE_HZ, 10_000.0)
    got = through(front, np.exp(2j * np.pi * (10_000.0 + offset_hz) * t), 60_000)
    lines = np.fft.fft(got[200:-200] * np.hanning(len(got) - 400))
    at_hz = np.fft.fftfreq(len(lines), 1 / front.sample_rate_hz)
    near = np.abs(lines[np.abs(at_hz) < 119_000.0]).max() / (len(lines) / 2)
    assert near < 1e-4


def test_only_fast_recordings_have_one() -> None:
    assert not is_worthwhile(250_000.0)
    assert is_worthwhile(1_024_000.0)
    assert FrontEnd(3e6, 0.0).sample_rate_hz == pytest.approx(428_571.43, abs=0.01)
