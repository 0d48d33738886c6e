"""One sound file into a rig: read it and follow it to the antenna."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from carrierfloor.cli.audio_in import AudioIn
from carrierfloor.dsp.intake import Intake
from carrierfloor.dsp.level import LevelMeter
from carrierfloor.dsp.prediction import AntennaMeter, AntennaReading
from carrierfloor.dsp.resampler import Resampler
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ


@dataclass(frozen=True, kw_only=True)
class Followed:
    """A file that was read to its end, and what the antenna made of it."""

    sound: AudioIn
    channel: str
    nonfinite_samples: int  # counted as 0
    peak: float  # of what the sound card gets, 1.0 = full scale
    paths: tuple[AntennaReading, ...]  # one for each path of the rig


def follow(
    audio: Path,
    rig: Rig,
    channel: str = "mix",
    *,
    progress: Callable[[float], None] = lambda part: None,
) -> Followed:
    """Read a sound file and follow it through a rig, in constant memory.

    Parameters
    ----------
    audio : Path
        Any sound file; its samples are what the sound card gets.
    rig : Rig
        The transmitter.
    channel : str
        ``mix``, ``left``, ``right`` or a number.
    progress : callable
        Gets the part that is done, 0 to 1.

    Raises
    ------
    CarrierfloorError
        If the file cannot be used.
    """
    meter, level = AntennaMeter(rig), LevelMeter(SAMPLE_RATE_HZ)
    with AudioIn(audio) as sound:
        intake = Intake(sound.channels, channel)
        to_meter = Resampler(sound.sample_rate_hz, SAMPLE_RATE_HZ)
        for block in sound.blocks():
            card = to_meter.process(intake.process(block))
            level.feed(card)
            meter.feed(card)
            progress(sound.part_read)
    rest = to_meter.finish()
    level.feed(rest)
    meter.feed(rest)
    meter.finish()
    return Followed(
        sound=sound,
        channel=channel,
        nonfinite_samples=intake.nonfinite_samples,
        peak=level.peak,
        paths=meter.paths,
    )
