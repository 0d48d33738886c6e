"""What the gate, the leveller and the compressor have in common."""

from collections.abc import Callable

import numpy as np
import pytest

from carrierfloor.dsp.compressor import CompressorDesign
from carrierfloor.dsp.gate import GateDesign
from carrierfloor.dsp.leveller import LevellerDesign
from carrierfloor.dsp.stage import CompiledStage, Context
from tests.dsp.level_signals import noise, syllables, tone


def two_bands() -> LevellerDesign:
    return LevellerDesign(crossover_hz=1000.0)


MAKERS = (GateDesign, LevellerDesign, two_bands, CompressorDesign)
Maker = Callable[[], GateDesign | LevellerDesign | CompressorDesign]

pytestmark = pytest.mark.parametrize("make", MAKERS)


def fresh(make: Maker) -> CompiledStage:
    return make().build(Context())


def talk() -> np.ndarray:
    return np.concatenate([noise(-55, 0.5), syllables(-12, 1.5), noise(-55, 0.7)])


@pytest.mark.parametrize("size", [1, 7, 31, 127, 480, 4096])
def test_blocks_join_without_a_seam(make: Maker, size: int) -> None:
    signal = talk()[:40_000]
    stage = fresh(make)
    parts = [stage.process(signal[at : at + size]) for at in range(0, len(signal), size)]
    whole = fresh(make).process(signal)
    np.testing.assert_allclose(np.concatenate(parts), whole, rtol=0, atol=1e-12)


def test_nothing_is_delayed(make: Maker) -> None:
    """An impulse on a quiet tone comes out at the sample at which it went in."""
    signal = 0.001 * tone(0, 0.5)
    signal[12_345] = 0.5
    stage = fresh(make)
    assert stage.latency_samples == 0
    assert np.argmax(np.abs(stage.process(signal))) == 12_345


def test_reset_makes_the_stage_as_new(make: Maker) -> None:
    stage = fresh(make)
    first = stage.process(talk())
    readings = dict(stage.meters)
    stage.reset()
    np.testing.assert_array_equal(stage.process(talk()), first)
    assert dict(stage.meters) == readings


def test_silence_in_gives_silence_out(make: Maker) -> None:
    stage = fresh(make)
    assert not stage.process(np.zeros(5000)).any()
    stage.process(talk())
    assert not stage.process(np.zeros(48_000))[24_000:].any()  # filters have rung out


def test_sixty_db_over_full_scale_stays_finite_and_is_forgotten(make: Maker) -> None:
    """After 1 s of +-1000 and 8 s of speech the gain is what it is without the burst, in 3 dB."""
    stage = fresh(make)
    burst = 1000.0 * np.sign(tone(0, 1.0, 123.0))
    assert np.isfinite(stage.process(burst)).all()
    with_burst = stage.process(syllables(-20, 8.0))
    assert np.isfinite(with_burst).all()
    without = fresh(make).process(np.concatenate([0.0 * burst, syllables(-20, 8.0)]))
    last = slice(-9_600, None)
    level = np.sqrt(np.mean(with_burst[last] ** 2) / np.mean(without[-9_600:] ** 2))
    assert abs(20 * np.log10(level)) < 3.0


def test_long_silence_leaves_no_denormal_numbers(make: Maker) -> None:
    """The smallest normal double is 2.2e-308; arithmetic below it is slow on some processors."""
    stage = fresh(make)
    stage.process(talk())
    stage.process(np.zeros(48_000 * 8))
    tiny = np.abs(stage.state[stage.state != 0.0])
    assert not (tiny < np.finfo(float).tiny).any()
