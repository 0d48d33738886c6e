"""The chain: a voice's stages, then always the limiter and the output, as one processor."""

from collections.abc import Mapping, Sequence

import numpy as np

from carrierfloor.dsp.engine import (
    QUEUE_SIZE,
    Table,
    engine,
    place,
    run_rows,
    run_stream,
    size_of,
)
from carrierfloor.dsp.entry import build_entry
from carrierfloor.dsp.equaliser import equaliser_of, sections_behind_limiter
from carrierfloor.dsp.fader import EDGE_SAMPLES, build_fader, end_fader
from carrierfloor.dsp.limiter import build_limiter
from carrierfloor.dsp.low_pass import LowPassDesign
from carrierfloor.dsp.output import build_output
from carrierfloor.dsp.output_filter import delay_samples
from carrierfloor.dsp.predicted import predicted_paths
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import (
    HOP,
    SAMPLE_RATE_HZ,
    Block,
    CompiledStage,
    Context,
    Stage,
    StageDesign,
)
from carrierfloor.dsp.voice import Voice

# The limiter's model of a path holds up to 8 kHz; a voice that does not end in a low-pass of its
# own gets this one.
GUARD = LowPassDesign(cutoff_hz=6000.0)
KEEPS_THE_BAND = ("sub_audio",)  # kinds that may follow the last low-pass


class Chain:
    """Shape a stream of speech so that the carrier stays up at the antenna.

    Takes and gives mono float64 at 48 kHz.  Full scale of the input is 1.0 and counts as 100 %
    modulation; the output is in sound-card samples as the rig's level says.

    Parameters
    ----------
    voice : Voice
        How the speech is shaped.
    rig : Rig
        The transmitter it goes to.
    highest_hz : float
        The highest frequency that the output can carry; the chain narrows to fit.
    sample_step : float
        Largest error that the output's sample format adds, 1.0 = full scale; the limiter
        leaves room for it.

    Raises
    ------
    SettingError
        If the voice does not fit the output, or the sample format is too coarse for the level.

    Examples
    --------
    >>> import numpy as np
    >>> from carrierfloor import presets
    >>> from carrierfloor.dsp.chain import Chain
    >>> chain = Chain(presets.voice("bypass"), presets.rig("dc-coupled"))
    >>> out = chain.process(np.zeros(480))  # any block size
    >>> rest = chain.flush()  # the last ``latency_samples`` samples
    >>> len(out), len(rest) == chain.latency_samples
    (480, True)
    """

    def __init__(
        self,
        voice: Voice,
        rig: Rig,
        *,
        highest_hz: float = SAMPLE_RATE_HZ / 2,
        sample_step: float = 0.0,
    ) -> None:
        context = Context(
            negative_limit=rig.modulation.negative_aim,
            positive_limit=rig.modulation.positive_aim,
            highest_hz=highest_hz,
        )
        designs = guarded(voice.stages)
        shaping = [design.build(context) for design in designs]
        behind = sections_behind_limiter(rig, highest_hz)
        self._fader_latency = sum(stage.latency_samples for stage in shaping)
        self._fader = build_fader(self._fader_latency)
        limiter = build_limiter(predicted_paths(rig, behind, sample_step))
        output = build_output(rig.level.sample_at_full_modulation, behind)
        late = self._fader_latency + limiter.latency_samples + delay_samples(behind)
        self._latency = HOP + late
        self._rest = equaliser_of(rig).rest_samples
        named = [(design.kind, stage) for design, stage in zip(designs, shaping, strict=True)]
        closing = [("fader", self._fader), ("limiter", limiter), ("output", output)]
        named = [("entry", build_entry()), *_checked(named), *closing]
        self.stages: tuple[Stage, ...] = tuple(stage for _, stage in named)
        self._names = _names([kind for kind, _ in named])
        self._segments, self._arena = _lay_out(self.stages)
        first = self._segments[0]
        alone = len(self._segments) == 1
        self._table = first if alone and not isinstance(first, Stage) else None
        self._queue = np.zeros(QUEUE_SIZE)
        self._fed = 0
        self._ended = False

    @property
    def latency_samples(self) -> int:
        """Delay from input to output in samples at 48 kHz."""
        return self._latency

    @property
    def edge_samples(self) -> int:
        """How long before a recording's end :meth:`end_at` must be called.

        A ramp and, with an equaliser, the silence in which the equaliser comes to rest.
        """
        return EDGE_SAMPLES + self._rest

    @property
    def is_compiled(self) -> bool:
        """Whether the whole chain runs without Python; a third-party stage may need it."""
        return self._table is not None

    @property
    def meters(self) -> Mapping[str, float]:
        """Readings of all stages, named ``stage.reading_unit``."""
        return {
            f"{name}.{reading}": float(value)
            for name, stage in zip(self._names, self.stages, strict=True)
            for reading, value in stage.meters.items()
        }

    def process(self, block: Block) -> Block:
        """Take the next samples of the stream.

        Parameters
        ----------
        block : ndarray, shape (n,)
            Any n, any values; what is not finite counts as 0.

        Returns
        -------
        ndarray, shape (n,)
            As many samples, ``latency_samples`` late.
        """
        out = np.array(block, dtype=np.float64)
        self._fed += len(out)
        if self._table is not None:
            run_stream(engine().address, self._table, self._arena, self._queue, out)
        else:
            self._process_in_python(out)
        return out

    def flush(self) -> Block:
        """Fade out after the last sample fed, unless an end is set; return all that is left.

        Returns
        -------
        ndarray, shape (n,)
            The last ``latency_samples`` samples and, with an equaliser, those in which it comes
            to rest.
        """
        if not self._ended:
            self._fade_out(self._fed)
        return self.process(np.zeros(self._latency + self._rest))

    def end_at(self, sample: int) -> None:
        """Fade out so that the output is silent from input sample ``sample`` on.

        Call it at least ``edge_samples`` before that sample is fed; later, the ramp is shorter.
        """
        self._fade_out(sample - self._rest)

    def _fade_out(self, sample: int) -> None:
        self._ended = True
        end_fader(self._fader.state, sample + self._fader_latency)

    def reset(self) -> None:
        """Make the chain as new."""
        for stage in self.stages:
            stage.reset()
        self._queue[:] = 0.0
        self._fed = 0
        self._ended = False

    def _process_in_python(self, out: Block) -> None:
        """Do what ``run_stream`` does, with stages that only Python can run."""
        fresh, done = int(self._queue[HOP]), 0
        while done < len(out):
            count = min(HOP - fresh, len(out) - done)
            new, old = out[done : done + count], self._queue[fresh : fresh + count]
            new[:], old[:] = old.copy(), new.copy()
            done, fresh = done + count, fresh + count
            if fresh == HOP:
                self._run_segments(self._queue[:HOP])
                fresh = 0
        self._queue[HOP] = fresh

    def _run_segments(self, hop: Block) -> None:
        for segment in self._segments:
            if isinstance(segment, Stage):
                hop[:] = segment.process(hop.copy())
            else:
                run_rows(engine().address, segment, self._arena, hop)


def guarded(designs: Sequence[StageDesign]) -> tuple[StageDesign, ...]:
    """Add the guard filter unless the voice ends in a low-pass of its own."""
    ends = [design.kind for design in designs if design.kind not in KEEPS_THE_BAND]
    return tuple(designs) if ends[-1:] == ["low_pass"] else (*designs, GUARD)


def _names(kinds: Sequence[str]) -> list[str]:
    """Name the stages; the second of a kind gets a 2 behind its name."""
    names = []
    for at, kind in enumerate(kinds):
        count = kinds[: at + 1].count(kind)
        names.append(kind if count == 1 else f"{kind}{count}")
    return names


def _checked(named: Sequence[tuple[str, Stage]]) -> list[tuple[str, Stage]]:
    """Put an entry behind every stage that is not ours, for what it may give."""
    checked: list[tuple[str, Stage]] = []
    for kind, stage in named:
        checked.append((kind, stage))
        if not isinstance(stage, CompiledStage):
            checked.append(("entry", build_entry()))
    return checked


def _lay_out(stages: Sequence[Stage]) -> tuple[list[Table | Stage], Block]:
    """Move all compiled stages into one arena; return the runs of the chain and the arena.

    A run is either a table for the compiled core or one stage that only Python can run.
    """
    arena = np.zeros(size_of([stage for stage in stages if isinstance(stage, CompiledStage)]))
    segments: list[Table | Stage] = []
    run: list[CompiledStage] = []
    used = 0
    for stage in stages:
        if isinstance(stage, CompiledStage):
            run.append(stage)
            continue
        segments += [place(run, arena, used), stage]
        used += size_of(run)
        run = []
    segments.append(place(run, arena, used))
    return segments, arena
