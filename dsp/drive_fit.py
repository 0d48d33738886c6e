"""The drive with which a recording reaches a wanted modulation density."""

from dataclasses import dataclass, replace

from scipy.optimize import brentq

from carrierfloor.dsp.drive import DriveDesign
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.ordinary_speech import ordinary_speech
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.settings import rule_of
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.trial import Trial, try_out
from carrierfloor.dsp.voice import Voice
from carrierfloor.dsp.voice_edit import first_of

RANGE_DB = 15.0  # to either side of the drive there is; the search begins at its ends
EXACT_DB = 0.03  # of drive, where the search ends; it is written with one decimal


@dataclass(frozen=True, kw_only=True)
class DriveFit:
    """The drive found; densities are 1.0 at 100 %."""

    drive_db: float
    before_db: float  # drive of the voice it began with
    ordinary_density: float  # of ordinary speech in the base voice
    recorded_density: float  # of the recording in the base voice
    asked_density: float | None  # by the user
    trial: Trial  # with the drive found

    @property
    def wanted_density(self) -> float:
        """What is asked for; else as dense as ordinary speech, and never less than it was."""
        return self.asked_density or max(self.ordinary_density, self.recorded_density)


def fit_drive(
    voice: Voice, base: Voice, rig: Rig, samples: Block, density: float | None
) -> DriveFit:
    """Find the drive through the real chain.

    Parameters
    ----------
    voice : Voice
        With a drive stage; everything else as it will be.
    base : Voice
        What it began with, for the density there is without a fit.
    rig : Rig
        The transmitter.
    samples : ndarray, shape (n,)
        At 48 kHz.
    density : float or None
        What is wanted, 1.0 = 100 %; ``None``: see :attr:`DriveFit.wanted_density`.

    Raises
    ------
    SettingError
        If that density is out of reach.
    """
    before_db = float(first_of(voice, "drive").drive_db)
    found = DriveFit(
        drive_db=before_db,
        before_db=before_db,
        ordinary_density=try_out(base, rig, ordinary_speech()).density,
        recorded_density=try_out(base, rig, samples).density,
        asked_density=density,
        trial=try_out(voice, rig, samples),
    )
    trials = {before_db: found.trial}
    drive_db = _searched(voice, rig, samples, found.wanted_density, trials)
    return replace(found, drive_db=drive_db, trial=trials[drive_db])


def _searched(
    voice: Voice, rig: Rig, samples: Block, wanted: float, trials: dict[float, Trial]
) -> float:
    """Return the drive, with one decimal; keep what was tried in ``trials``."""

    def over_db(drive_db: float) -> float:
        if drive_db not in trials:
            trials[drive_db] = try_out(voice.with_drive(drive_db), rig, samples)
        return trials[drive_db].density_db - decibels(wanted)

    rule = rule_of(DriveDesign.__dataclass_fields__["drive_db"])
    (middle_db,) = trials
    if over_db(middle_db) < 0.0:
        low_db, high_db = middle_db, min(rule.high, middle_db + RANGE_DB)
    else:
        low_db, high_db = max(rule.low, middle_db - RANGE_DB), middle_db
    for end_db, wrong in ((low_db, over_db(low_db) > 0.0), (high_db, over_db(high_db) < 0.0)):
        if wrong:
            raise SettingError(
                f"a density of {100.0 * wanted:.1f} % is out of reach for this recording: with "
                f"{end_db:+.1f} dB of drive it comes to {100.0 * trials[end_db].density:.1f} %; "
                "ask for that with --density, or choose another --voice"
            )
    found_db = round(float(brentq(over_db, low_db, high_db, xtol=EXACT_DB)), 1)
    over_db(found_db)
    return found_db
