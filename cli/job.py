"""One file through a chain: read, process, write, and watch what the antenna makes of it."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from carrierfloor.cli import documents
from carrierfloor.cli.audio_in import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, AudioIn
from carrierfloor.cli.audio_out import AudioOut, container_of, sample_format, wide_enough
from carrierfloor.cli.witness import InputWitness, OutputWitness
from carrierfloor.dsp.chain import GUARD, Chain
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.in_step import InStep
from carrierfloor.dsp.intake import Intake
from carrierfloor.dsp.low_pass import LowPass, LowPassDesign
from carrierfloor.dsp.resampler import highest_passed_hz
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.sample_format import Quantiser, SampleFormat
from carrierfloor.dsp.stage import HOP, SAMPLE_RATE_HZ
from carrierfloor.dsp.voice import Voice

Progress = Callable[[float], None]  # gets the part that is done, 0 to 1


@dataclass(frozen=True, kw_only=True)
class Options:
    """What the command line asks for, the same for every file."""

    voice: str | None = None  # name or file; None: the default one
    rig: str | None = None
    drive_db: float | None = None
    negative_limit_pct: float | None = None
    positive_limit_pct: float | None = None
    channel: str = "mix"
    rate_hz: int | None = None  # None: as the input
    sample_type: str | None = None  # None: as the input where that can be kept
    compare: bool = True  # with the unprocessed input and a path-blind chain

    def check(self) -> None:
        """Refuse what is wrong whatever the file.

        Raises
        ------
        SettingError
            If an option is out of range, or the voice or the rig cannot be had.
        """
        rate_hz = self.rate_hz
        if rate_hz is not None and not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
            raise SettingError(
                f"--rate is {rate_hz} Hz; it must be {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
            )
        if self.sample_type is not None:
            SampleFormat(name=self.sample_type.upper())
        self.documents()

    def documents(self) -> tuple[Voice, Rig]:
        """Return the voice and the rig with the changes asked for.

        Raises
        ------
        SettingError
            If one of them cannot be had.
        """
        voice, rig = documents.voice(self.voice), documents.rig(self.rig)
        if self.drive_db is not None:
            voice = voice.with_drive(self.drive_db)
        return voice, rig.with_limits(self.negative_limit_pct, self.positive_limit_pct)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """Everything that is known after a file, for the report."""

    options: Options
    voice: Voice
    rig: Rig
    sound: AudioIn
    target: Path
    container: str
    sample_rate_hz: int
    frames: int
    intake: Intake
    chain: Chain
    quantiser: Quantiser
    heard: InputWitness
    sent: OutputWitness
    processing_s: float  # reading, resampling, the chain, writing
    watching_s: float  # measuring and comparing

    @property
    def low_pass_hz(self) -> float:
        """Cut-off of the last low-pass of the chain."""
        return [s.cutoff_hz for s in self.chain.stages if isinstance(s, LowPass)][-1]

    @property
    def wanted_low_pass_hz(self) -> float:
        """What it would be if the output could carry any frequency."""
        wanted = [s.cutoff_hz for s in self.voice.stages if isinstance(s, LowPassDesign)]
        return wanted[-1] if wanted else GUARD.cutoff_hz


def process_file(
    source: Path, target: Path, options: Options, progress: Progress = lambda part: None
) -> Outcome:
    """Process one sound file into another, of the same length and in step with it.

    Parameters
    ----------
    source, target : Path
        The target appears when it is complete, or not at all.
    options : Options
        How.
    progress : callable
        Called after every block.

    Raises
    ------
    CarrierfloorError
        If the input, the options or the output cannot be used.
    """
    voice, rig = options.documents()
    container = container_of(target)
    with AudioIn(source) as sound:
        rate_hz = options.rate_hz or sound.sample_rate_hz
        stored_as = sample_format(container, options.sample_type, sound.sample_type)
        container = wide_enough(container, stored_as, _expected_frames(sound, rate_hz))
        fit = {"highest_hz": _highest_hz(rate_hz), "sample_step": stored_as.largest_error}
        chain = warmed_up(Chain(voice, rig, **fit))
        intake = Intake(sound.channels, options.channel)
        heard = InputWitness(voice, rig, compare=options.compare, **fit)
        sent = OutputWitness(rig, rate_hz)
        quantiser = Quantiser(stored_as)
        in_step = InStep(chain, sound.sample_rate_hz, rate_hz, heard)
        frames = 0
        begun = time.perf_counter()
        with AudioOut(
            target, container=container, sample_type=stored_as, sample_rate_hz=rate_hz
        ) as out:

            def send(block: np.ndarray[Any, np.dtype[np.float64]]) -> None:
                nonlocal frames
                frames += len(block)
                stored = quantiser.process(block)
                out.write(stored)
                sent.hear(quantiser.value(stored))

            for block in sound.blocks():
                send(in_step.process(intake.process(block)))
                progress(sound.part_read)
            send(in_step.finish())
            out.commit()
        total_s = time.perf_counter() - begun
        watching_s = heard.seconds + sent.seconds
    heard.finish()
    sent.finish()
    return Outcome(
        options=options,
        voice=voice,
        rig=rig,
        sound=sound,
        target=target,
        container=container,
        sample_rate_hz=rate_hz,
        frames=frames,
        intake=intake,
        chain=chain,
        quantiser=quantiser,
        heard=heard,
        sent=sent,
        processing_s=total_s - watching_s,
        watching_s=watching_s,
    )


def warmed_up(chain: Chain) -> Chain:
    """Run one hop of silence, which loads or compiles the kernels, and make the chain as new."""
    chain.process(np.zeros(HOP))
    chain.reset()
    return chain


def _highest_hz(rate_hz: int) -> float:
    """Return what an output rate can carry; the chain's own rate needs no resampler."""
    return SAMPLE_RATE_HZ / 2 if rate_hz >= SAMPLE_RATE_HZ else highest_passed_hz(rate_hz)


def _expected_frames(sound: AudioIn, rate_hz: int) -> int:
    """Estimate the length of the output, high where the header does not say it."""
    frames = sound.frames_promised
    if frames is None:
        frames = 20 * sound.path.stat().st_size  # no codec makes less than 0.4 bit a sample
    return round(frames * rate_hz / sound.sample_rate_hz)
