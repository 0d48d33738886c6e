"""How a chain is put together, and what it does with what no stage should give."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pytest

from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.drive import DriveDesign
from carrierfloor.dsp.engine import CODES, engine, run_rows
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.low_pass import LowPassDesign
from carrierfloor.dsp.output import SCALE
from carrierfloor.dsp.rig import Level, Modulation, Rig
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.stage import HOP, Block, CompiledStage, Context, Stage, StageDesign
from carrierfloor.dsp.sub_audio import SubAudioDesign
from carrierfloor.dsp.tone import ToneDesign
from carrierfloor.dsp.voice import BUILT_IN, Voice, design_type
from tests.reference import antenna

RIG = Rig(name="flat", level=Level(full_modulation_dbfs=-6.0))
FULL = RIG.level.sample_at_full_modulation


class Wrong(Stage):
    """A stage in plain Python that gives what it was told to, now and then."""

    def __init__(self, value: float) -> None:
        self._value = value

    def process(self, block: Block) -> Block:
        out = block.copy()
        out[3] = self._value
        return out

    def reset(self) -> None:
        """Nothing to forget."""

    @property
    def meters(self) -> Mapping[str, float]:
        return {"value": self._value}


@dataclass(frozen=True, kw_only=True)
class WrongDesign(StageDesign):
    kind: ClassVar[str] = "wrong"
    value: float = 0.0

    def build(self, context: Context) -> Stage:
        return Wrong(self.value)


def tone(length: int, level: float = 0.5) -> Block:
    return np.asarray(level * np.sin(2 * np.pi * 1000.0 * np.arange(length) / 48_000))


def whole(chain: Chain, audio: Block) -> Block:
    out = np.concatenate([chain.process(audio), chain.flush()])
    return out[chain.latency_samples :]


def test_limiter_and_output_close_every_chain() -> None:
    names = {name.partition(".")[0] for name in Chain(Voice(name="none"), RIG).meters}
    assert names == {"entry", "low_pass", "limiter", "output"}  # with the guard filter


@pytest.mark.parametrize(
    ("stages", "low_passes"),
    [
        ((LowPassDesign(), SubAudioDesign()), 1),
        ((LowPassDesign(), DriveDesign()), 2),  # what follows might widen the band: guarded
        ((DriveDesign(),), 1),
    ],
)
def test_guard_filter_where_the_voice_has_no_last_low_pass(
    stages: tuple[StageDesign, ...], low_passes: int
) -> None:
    chain = Chain(Voice(name="voice", stages=stages), RIG)
    assert sum(name.endswith(".stop_hz") for name in chain.meters) == low_passes


def test_same_kind_twice_has_two_names() -> None:
    chain = Chain(Voice(name="voice", stages=(LowPassDesign(), DriveDesign())), RIG)
    assert {"low_pass.cutoff_hz", "low_pass2.cutoff_hz"} <= set(chain.meters)


@pytest.mark.parametrize(("polarity", "sign"), [("normal", 1.0), ("inverted", -1.0)])
def test_level_and_polarity_of_the_rig(polarity: str, sign: float) -> None:
    """Full scale in is 100 % modulation: -6 dBFS at the card."""
    rig = Rig(name="flat", level=Level(full_modulation_dbfs=-6.0, polarity=polarity))
    audio = tone(9600)
    out = whole(Chain(Voice(name="none"), rig), audio)
    middle = slice(1000, 8000)
    np.testing.assert_allclose(out[middle], sign * 10**-0.3 * audio[middle], atol=2e-3)


def test_edges_fade_and_beyond_them_is_silence() -> None:
    chain = Chain(Voice(name="none"), RIG)
    out = np.concatenate([chain.process(tone(4800)), chain.flush(), chain.process(np.zeros(9600))])
    late = chain.latency_samples
    np.testing.assert_array_equal(out[:late], 0.0)
    np.testing.assert_array_equal(out[late + 4800 :], 0.0)
    assert np.abs(out[late : late + 12]).max() < 0.005 < np.abs(out[late + 240 :]).max()


def test_card_never_clips_whatever_the_rig_asks_for() -> None:
    """+150 % at 0 dBFS would need 1.5 of full scale."""
    rig = Rig(
        name="hot",
        level=Level(full_modulation_dbfs=0.0),
        modulation=Modulation(positive_limit_pct=150.0),
    )
    out = whole(Chain(Voice(name="none"), rig), tone(9600, level=2.0))
    assert 0.9 < antenna.judge(out, 48_000, 1.0, []).crest <= 1.0


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e300, -1e300])
def test_nothing_impossible_leaves(value: float) -> None:
    """Whatever a third-party stage gives, the carrier stays up and the sound goes on."""
    stages = (WrongDesign(value=value), LowPassDesign())
    chain = Chain(Voice(name="voice", stages=stages), RIG)
    assert not chain.is_compiled
    out = whole(chain, tone(9600))
    verdict = antenna.judge(out, 48_000, FULL, [])
    assert verdict.trough <= 0.951
    assert verdict.crest <= 1.251
    assert np.abs(out[4800:]).max() > 0.01


def test_a_broken_output_is_silence_for_good() -> None:
    """The last guard: a state that cannot be, put there by hand, silences all that follows."""
    chain = Chain(Voice(name="none"), RIG)
    chain.process(tone(4800))
    output = chain.stages[-1]
    assert isinstance(output, CompiledStage)
    output.coefficients[SCALE] = np.nan
    chain.process(tone(HOP))  # what the queue still held
    np.testing.assert_array_equal(chain.process(tone(4800))[HOP:], 0.0)
    assert chain.meters["output.fault"] == 1.0


def test_refuses_a_sample_format_too_coarse_for_the_level() -> None:
    rig = Rig(name="quiet", level=Level(full_modulation_dbfs=-40.0))
    with pytest.raises(SettingError, match=r"full_modulation_dbfs is -40 dBFS; .* use more bits"):
        Chain(Voice(name="none"), rig, sample_step=1.5 / 128)


def test_coarse_samples_get_room() -> None:
    """Steps of 8 bits at -6 dBFS: the limiter stays that much farther from the ceiling."""
    step = 1.5 / 128
    out = whole(Chain(Voice(name="none"), RIG, sample_step=step), tone(9600, level=3.0))
    trough = antenna.judge(out, 48_000, FULL, []).trough
    assert trough == pytest.approx(0.95 - step / FULL, abs=1e-3)


def test_narrow_output_is_narrow() -> None:
    """For an output at 8 kHz nothing is left above what its resampler passes."""
    noise = np.random.default_rng(0).standard_normal(48_000)
    out = whole(Chain(Voice(name="none"), RIG, highest_hz=3600.0), noise)
    spectrum = np.abs(np.fft.rfft(out * np.hanning(len(out))))
    frequency_hz = np.fft.rfftfreq(len(out), 1 / 48_000)
    beyond = spectrum[frequency_hz > 3650.0].max()
    assert 20 * np.log10(beyond / spectrum.max()) < -78.0


def test_every_kind_reaches_its_kernel() -> None:
    """A row that the compiled core passed over would be a stage that does nothing, unnoticed.

    Each kernel counts its samples, fills its past or changes its block; none leaves both alone.
    """
    noise = np.random.default_rng(1).uniform(-0.9, 0.9, HOP)
    no_headroom = Context(negative_limit=0.9, positive_limit=0.9)  # turns the phase rotation on
    shelf = Section(kind="highshelf", corner_hz=2000.0, gain_db=6.0)
    designs = [design_type(kind)() for kind in BUILT_IN if kind != "tone"]
    stages = [design.build(no_headroom) for design in [*designs, ToneDesign(bands=(shelf,))]]
    chain = Chain(Voice(name="none"), RIG)
    for stage in [*stages, *chain.stages]:
        assert isinstance(stage, CompiledStage)
        coefficients, state = stage.coefficients.copy(), stage.initial_state.copy()
        arena = np.concatenate([coefficients, state])
        middle, hop = len(coefficients), noise.copy()
        row = [[CODES[stage.kind], 0, middle, middle, len(arena)]]
        run_rows(engine().address, np.array(row, dtype=np.int64), arena, hop)
        alone = noise.copy()
        stage.kernel(coefficients, state, alone)
        np.testing.assert_array_equal(hop, alone)
        np.testing.assert_array_equal(arena[middle:], state)
        changed = not np.array_equal(alone, noise) or not np.array_equal(state, stage.initial_state)
        assert changed, stage.kind
