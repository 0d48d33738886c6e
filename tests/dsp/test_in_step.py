"""A chain over a recording: length, time, edges, cuts.

The voice has no stages, so that a quiet signal passes unchanged but for the rig's level: what
comes out is known in closed form.
"""

import numpy as np
import pytest

from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.in_step import InStep
from carrierfloor.dsp.resampler import highest_passed_hz
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.voice import Voice
from tests import clips
from tests.dsp.test_resampler import burst

FULL = 10 ** (-6 / 20)


def recorded(
    samples: Block, input_hz: int, output_hz: int, cut: int = 1000
) -> tuple[Block, InStep]:
    highest_hz = 24_000.0 if output_hz >= 48_000 else highest_passed_hz(output_hz)
    chain = Chain(Voice(name="nothing"), clips.rig(), highest_hz=highest_hz)
    in_step = InStep(chain, input_hz, output_hz)
    parts = [in_step.process(samples[i : i + cut]) for i in range(0, len(samples), cut)]
    return np.concatenate([*parts, in_step.finish()]), in_step


@pytest.mark.parametrize("output_hz", [16_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("input_hz", [8000, 44_100, 48_000, 192_000])
def test_a_quiet_tone_comes_out_in_its_place(input_hz: int, output_hz: int) -> None:
    tone = 0.5 * burst(1000.0, input_hz)
    got, _ = recorded(tone, input_hz, output_hz)
    expected = 0.5 * FULL * burst(1000.0, output_hz)
    assert len(got) == len(expected)
    tolerance = 0.02 if output_hz < 24_000 else 1e-3  # low rates: the output filter's phase
    np.testing.assert_allclose(got, expected, atol=tolerance)


@pytest.mark.parametrize("length", [0, 1, 239, 240, 241, 1000, 5000])
def test_any_length_is_kept(length: int) -> None:
    samples = np.random.default_rng(7).uniform(-1.0, 1.0, length)
    assert len(recorded(samples, 48_000, 48_000)[0]) == length
    assert len(recorded(samples, 44_100, 8000)[0]) == round(length * 8000 / 44_100)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_the_cut_into_blocks_changes_nothing(rate_hz: int) -> None:
    noise = np.random.default_rng(8).uniform(-1.0, 1.0, 20_000)
    whole, _ = recorded(noise, rate_hz, rate_hz, len(noise))
    for cut in (1, 480, 4096):
        np.testing.assert_array_equal(recorded(noise, rate_hz, rate_hz, cut)[0], whole)


def test_a_recording_cut_in_the_middle_of_a_sound_is_faded() -> None:
    """The jump at either edge is under 1 % of the sound."""
    steady = 0.5 * np.cos(2 * np.pi * 200.0 * np.arange(24_000) / 48_000)
    got, _ = recorded(steady, 48_000, 48_000)
    assert abs(got[0]) < 0.005 * FULL
    assert abs(got[-1]) < 0.005 * FULL
    assert np.abs(got).max() == pytest.approx(0.5 * FULL, rel=0.01)
