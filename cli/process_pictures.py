"""Pictures of a processed file: what its input would do as loud, and what the output does."""

from pathlib import Path

from carrierfloor.cli.follow import follow
from carrierfloor.cli.job import Outcome
from carrierfloor.cli.pictures import write_pictures
from carrierfloor.dsp.prediction import AntennaReading, worst_of

BEFORE, AFTER = "Unprocessed, as loud", "Processed"


def draw(outcome: Outcome, folder: Path) -> tuple[Path, ...]:
    """Draw before and after.

    Parameters
    ----------
    outcome : Outcome
        A finished file; its input is read once more.
    folder : Path
        Where the pictures go.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    CarrierfloorError
        If the input is gone or the folder cannot be written to.
    """
    after = worst_of(outcome.sent.antenna.paths)
    before = as_loud(outcome, after.speech.active_rms)
    return write_pictures(folder, {BEFORE: before, AFTER: after}, outcome.rig)


def as_loud(outcome: Outcome, density: float) -> AntennaReading:
    """Follow the input to the antenna, made as dense as the output."""
    full = outcome.rig.level.sample_at_full_modulation

    def through(gain: float) -> AntennaReading:
        source, channel = outcome.sound.path, outcome.options.channel
        return worst_of(follow(source, outcome.rig, channel, gain=gain).paths)

    raw = through(full)
    if raw.speech.active_rms == 0.0:
        return raw
    return through(full * density / raw.speech.active_rms)
