"""Pictures of a processed file at the antenna, before and after."""

import math
from pathlib import Path

from carrierfloor.cli.audio_in import AudioIn
from carrierfloor.cli.job import Outcome
from carrierfloor.cli.pictures import write_pictures
from carrierfloor.dsp.intake import Intake
from carrierfloor.dsp.level import amplified
from carrierfloor.dsp.prediction import AntennaMeter, AntennaReading, worst_of
from carrierfloor.dsp.resampler import Resampler
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ


def draw(outcome: Outcome, folder: Path, density: float) -> tuple[Path, ...]:
    """Draw the input, made as dense as the output, beside the output.

    Parameters
    ----------
    outcome : Outcome
        Of a file processed with comparisons.
    folder : Path
        Where the pictures go.
    density : float
        Modulation density of the output, 1.0 = 100 %.

    Returns
    -------
    tuple of Path
        The files written.
    """
    after = worst_of(outcome.sent.antenna.paths)
    signals = {"Before, equally dense": _before(outcome, density), "After": after}
    return write_pictures(folder, signals, outcome.rig)


def _before(outcome: Outcome, density: float) -> AntennaReading:
    """Read the input a second time, now that its gain is known."""
    assert outcome.heard.unprocessed is not None
    gain_db = outcome.heard.unprocessed.at(density).gain_db
    full = outcome.rig.level.sample_at_full_modulation
    factor = full * 10.0 ** (gain_db / 20.0) if gain_db > -math.inf else 0.0
    meter = AntennaMeter(outcome.rig)
    with AudioIn(outcome.sound.path) as sound:
        intake = Intake(sound.channels, outcome.options.channel)
        to_meter = Resampler(sound.sample_rate_hz, SAMPLE_RATE_HZ)
        for block in sound.blocks():
            meter.feed(amplified(to_meter.process(intake.process(block)), factor))
        meter.feed(amplified(to_meter.finish(), factor))
    return meter.finish()
