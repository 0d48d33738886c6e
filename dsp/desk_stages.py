"""The stages of a live desk: those of a voice up to the limiter, and those behind it.

Refused is what a desk has no room for, and what runs in Python, for which audio cannot wait.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp import desk_layout as at
from carrierfloor.dsp.chain import guarded
from carrierfloor.dsp.engine import place, size_of
from carrierfloor.dsp.equaliser import sections_behind_limiter
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.limiter import build_limiter
from carrierfloor.dsp.output import build_output
from carrierfloor.dsp.predicted import predicted_paths
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.sample_format import SampleFormat
from carrierfloor.dsp.stage import Block, CompiledStage, Context
from carrierfloor.dsp.voice import Voice

# What is sent is at least as fine as this; a sound card that rounds to 16 bit adds 0.02 % at most.
SENT_AS = SampleFormat(name="PCM_24")


@dataclass
class LoadedVoice:
    """A voice in a slot of the desk."""

    voice: Voice
    stages: tuple[CompiledStage, ...]

    @property
    def latency_samples(self) -> int:
        """Of all its stages."""
        return sum(stage.latency_samples for stage in self.stages)


def context_of(rig: Rig, highest_hz: float) -> Context:
    """Return what the stages of a voice are built for.

    Parameters
    ----------
    rig : Rig
        The transmitter.
    highest_hz : float
        The highest frequency that the output can carry.
    """
    return Context(
        negative_limit=rig.modulation.negative_aim,
        positive_limit=rig.modulation.positive_aim,
        highest_hz=highest_hz,
    )


def shaping_stages(voice: Voice, context: Context) -> tuple[CompiledStage, ...]:
    """Build the stages of a voice up to the limiter.

    Raises
    ------
    SettingError
        If the voice cannot be used live.
    """
    stages = []
    for design in guarded(voice.stages):
        stage = design.build(context)
        if not isinstance(stage, CompiledStage):
            raise SettingError(
                f"voice {voice.name!r}: stage {design.kind} runs in Python, which audio cannot "
                "wait for; leave it out, or use carrierfloor process"
            )
        stages.append(stage)
    if len(stages) > at.MOST_ROWS:
        raise SettingError(
            f"voice {voice.name!r} has {len(stages)} stages; live it may have {at.MOST_ROWS}"
        )
    _check_size(stages, at.SLOT_SIZE, f"voice {voice.name!r}")
    return tuple(stages)


def closing_stages(rig: Rig, highest_hz: float) -> tuple[CompiledStage, ...]:
    """Build the limiter and the output.

    Raises
    ------
    SettingError
        If the rig cannot be used live.
    """
    behind = sections_behind_limiter(rig, highest_hz)
    limiter = build_limiter(predicted_paths(rig, behind, SENT_AS.largest_error))
    output = build_output(rig.level.sample_at_full_modulation, behind)
    _check_size((limiter, output), at.CLOSING_SIZE, f"rig {rig.name!r}")
    return limiter, output


def write_stages(
    words: Block,
    whole: NDArray[np.int64],
    table: int,
    stages: Sequence[CompiledStage],
    where: slice,
) -> None:
    """Write the coefficients and states of stages into the memory, and where they are.

    Parameters
    ----------
    words, whole : ndarray of float64 and of int64, shape (desk_layout.WORDS,)
        The memory.
    table : int
        The slot, or SLOTS for the stages behind the mixer.
    stages : sequence of CompiledStage
        In their order.
    where : slice
        Of the memory, for coefficients and states.
    """
    arena = words[where]
    arena[:] = 0.0
    rows = place(stages, arena).ravel()
    begin = at.TABLES + table * at.MOST_ROWS * at.ROW
    whole[begin : begin + len(rows)] = rows
    whole[at.ROWS + table] = len(stages)


def _check_size(stages: Sequence[CompiledStage], allowed: int, what: str) -> None:
    size = size_of(stages)
    if size > allowed:
        raise SettingError(
            f"{what} needs {size} words of memory; live it may need {allowed}: use fewer stages"
        )
