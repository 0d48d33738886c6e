"""The command ``simulate``: make a recording of the transmitted signal from a sound file."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from carrierfloor.cli import documents, report_file, screen, simulate_report, simulate_view
from carrierfloor.cli.audio_in import AudioIn
from carrierfloor.cli.process import refuse_overwriting
from carrierfloor.cli.recording_out import Storage, storage_of
from carrierfloor.dsp.intake import Intake
from carrierfloor.dsp.kernel import is_compiled
from carrierfloor.dsp.level import LevelMeter
from carrierfloor.dsp.resampler import Resampler
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.simulation import IQ, Simulation, SimulationDesign, frames_of
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

LAST_KERNEL = "_spread"  # of dsp/modulation.py, the last that the simulation compiles


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """A recording that was made, and all that is known of it."""

    sound: AudioIn
    intake: Intake
    channel: str
    peak: float  # of what the sound card gets, 1.0 = full scale
    rig: Rig
    rig_source: str | None
    design: SimulationDesign
    simulation: Simulation
    out: Path
    storage: Storage
    frames: int
    clipped_samples: int


def simulate(
    audio: Path,
    out: Path,
    design: SimulationDesign,
    *,
    rig: str | None = None,
    channel: str = "mix",
    sample_type: str | None = None,
    raw_format: str | None = None,
    save_report: Path | None = None,
) -> int:
    """Make a recording, show and save what is true of it.

    Parameters
    ----------
    audio : Path
        Any sound file; its samples are what the sound card gets.
    out : Path
        The recording: it appears when it is complete, or not at all.
    design : SimulationDesign
        How it is simulated.
    rig : str, optional
        Name or file; the default rig if left out.
    channel : str
        Of the sound file: ``mix``, ``left``, ``right`` or a number.
    sample_type : str, optional
        libsndfile's name, for a sound file.
    raw_format : str, optional
        u8, s8, s16 or f32, for raw samples.
    save_report : Path, optional
        Where the truth goes, as .json or .csv.

    Returns
    -------
    int
        Exit status.

    Raises
    ------
    CarrierfloorError
        If a file or an option cannot be used.
    """
    if save_report is not None:
        report_file.check_path(save_report)
    refuse_overwriting(audio, out)
    transmitter = documents.rig(rig)
    with AudioIn(audio) as sound:
        storage = storage_of(
            out,
            channels=2 if design.kind == IQ else 1,
            rate_hz=design.rate_hz,
            frames=_most_frames(sound, design),
            sample_type=sample_type,
            raw_format=raw_format,
        )
        intake = Intake(sound.channels, channel)
        simulation = Simulation(transmitter, design)
        if not is_compiled(LAST_KERNEL):
            screen.remarks().print("First run on this machine: compiling, this takes a while ...")
        level, quantiser = LevelMeter(SAMPLE_RATE_HZ), storage.quantiser()
        frames = 0
        with screen.progress_bar() as bar, storage.open(out) as file:
            task = bar.add_task(audio.name, total=1.0)
            for recorded in simulation.recording(_card(sound, intake, level)):
                file.write(quantiser.process(frames_of(recorded)))
                frames += len(recorded)
                bar.update(task, completed=sound.part_read)
            file.commit()
    found = simulate_report.build(
        Simulated(
            sound=sound,
            intake=intake,
            channel=channel,
            peak=level.peak,
            rig=transmitter,
            rig_source=rig,
            design=design,
            simulation=simulation,
            out=out,
            storage=storage,
            frames=frames,
            clipped_samples=quantiser.clipped_samples,
        )
    )
    if save_report is not None:
        report_file.save([found], save_report)
    simulate_view.show(found, screen.results())
    return 0


def _card(sound: AudioIn, intake: Intake, level: LevelMeter) -> Iterator[Block]:
    """Yield what the sound card gets."""
    to_card = Resampler(sound.sample_rate_hz, SAMPLE_RATE_HZ)
    for block in sound.blocks():
        card = to_card.process(intake.process(block))
        level.feed(card)
        yield card
    rest = to_card.finish()
    level.feed(rest)
    yield rest


def _most_frames(sound: AudioIn, design: SimulationDesign) -> int:
    """Return how long the recording will be, at most where the header does not say it."""
    frames = sound.frames_promised
    if frames is None:
        frames = 20 * sound.path.stat().st_size  # no codec makes less than 0.4 bit a sample
    seconds = frames / sound.sample_rate_hz + 2.0 * design.carrier_s
    return math.ceil(seconds * design.rate_hz) + 1
