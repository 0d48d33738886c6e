"""Tone controls that bring a talker's spectrum near that of average speech.

The aim is the long-term average speech spectrum of D. Byrne et al., J. Acoust. Soc. Am. 96, 1994,
table 2, or one that falls less: the louder somebody speaks, the more treble there is, and it helps
in noise, so a voice that is bright all along stays so.  Taking that away cost a voice with one
leveller for all bands 0.5 dB of reach in the mean and up to 3 dB (``tests/bench/fitted_voices.py``
says what reach is).

A few broad controls follow the aim by least squares: each band counts by how well the recording
tells it, and the controls are held back, so that a short recording moves them little.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from carrierfloor.dsp.sections import Section, analogue_response
from carrierfloor.dsp.speech_noise import LEVELS_DB
from carrierfloor.dsp.speech_spectrum import CENTRES_HZ, SpeechSpectrum

Floats = NDArray[np.float64]

# Below, men and women differ, and so no average tells what is right (Byrne et al., from memory).
LOWEST_HZ = 240.0
LEAST_SIGNAL_TO_NOISE_DB = 10.0  # of a band: with less, noise would be taken for the talker
FEWEST_BANDS = 6
MOST_DB = 6.0  # of each control, and of all of them together
MOST_TILT_DB = 3.0  # an octave, by which a voice may be brighter than the average
# How far a band of one talker may lie from the average with nothing wrong, and what is held
# against each dB of a control for each dB of the spectrum's uncertainty (both by trial on
# recordings of people, no source).
OWN_DB, RELUCTANCE = 2.0, 0.3
LEAST_GAIN_DB = 0.5  # a control that does less is left out

# An octave apart or a little more and as broad, so that their sum has no ripples.
CONTROLS = (
    ("lowshelf", "corner_hz", 400.0, 0.6),
    ("peak", "centre_hz", 800.0, 0.9),
    ("peak", "centre_hz", 1800.0, 0.9),
    ("highshelf", "corner_hz", 3200.0, 0.6),
)
Control = tuple[str, str, float, float]


@dataclass(frozen=True, kw_only=True)
class ToneFit:
    """Tone controls, and what they were fitted to: levels by band, where the recording tells."""

    bands: tuple[Section, ...]  # none: the voice is near enough to the aim
    tilt_db: float  # an octave, by which the voice is brighter than the average and stays so
    centres_hz: Floats  # of the third octaves that were used
    before_db: Floats  # speech over the aim, 0 dB in the mean
    after_db: Floats  # the same behind the controls

    @property
    def before_rms_db(self) -> float:
        """Distance from the aim without the controls."""
        return _rms(self.before_db)

    @property
    def after_rms_db(self) -> float:
        """Distance that is left."""
        return _rms(self.after_db)


def fit_tone(spectrum: SpeechSpectrum, lowest_hz: float, highest_hz: float) -> ToneFit:
    """Fit the tone controls.

    Parameters
    ----------
    spectrum : SpeechSpectrum
        Of the recording.
    lowest_hz, highest_hz : float
        The band that the voice passes; nothing outside is looked at.

    Returns
    -------
    ToneFit
        Without controls where fewer than ``FEWEST_BANDS`` bands can be told.
    """
    centres_hz = np.array(CENTRES_HZ)
    used = (
        (centres_hz >= max(lowest_hz, LOWEST_HZ))
        & (centres_hz <= highest_hz)
        & (spectrum.signal_to_noise_db >= LEAST_SIGNAL_TO_NOISE_DB)
    )
    if np.count_nonzero(used) < FEWEST_BANDS:
        nothing = np.zeros(0)
        return ToneFit(
            bands=(), tilt_db=0.0, centres_hz=nothing, before_db=nothing, after_db=nothing
        )
    centres_hz = centres_hz[used]
    over_db = 10.0 * np.log10(spectrum.speech[used]) - np.array(LEVELS_DB)[used]
    uncertainty_db = spectrum.uncertainty_db[used]
    weight = 1.0 / np.hypot(OWN_DB, uncertainty_db)
    reluctance = RELUCTANCE * _rms(uncertainty_db)
    bands, tilt_db = _fitted(centres_hz, over_db, weight, reluctance)
    over_db = over_db - tilt_db * _octaves(centres_hz)
    return ToneFit(
        bands=bands,
        tilt_db=tilt_db,
        centres_hz=centres_hz,
        before_db=_centred(over_db, weight),
        after_db=_centred(over_db + response_db(bands, centres_hz), weight),
    )


def response_db(bands: tuple[Section, ...], frequency_hz: Floats) -> Floats:
    """Return the gain of tone controls at some frequencies."""
    return np.asarray(20.0 * np.log10(np.abs(analogue_response(bands, frequency_hz))))


def _fitted(
    centres_hz: Floats, over_db: Floats, weight: Floats, reluctance: float
) -> tuple[tuple[Section, ...], float]:
    """Return controls and tilt that leave least."""
    controls = [one for one in CONTROLS if centres_hz[0] <= one[2] <= centres_hz[-1]]
    octaves = _octaves(centres_hz)

    def miss(unknown: Floats) -> Floats:
        *gains_db, tilt_db = unknown
        gain_db = response_db(_sections(controls, np.array(gains_db)), centres_hz)
        left_db = _centred(over_db - tilt_db * octaves + gain_db, weight)
        return np.concatenate([weight * left_db, reluctance * np.array(gains_db)])

    highest = np.array([MOST_DB] * len(controls) + [MOST_TILT_DB])
    lowest = np.append(-highest[:-1], 0.0)
    *found_db, tilt_db = least_squares(miss, 0.1 * highest, bounds=(lowest, highest)).x
    gains_db = np.array(found_db)
    gains_db *= min(1.0, MOST_DB / _largest_db(controls, gains_db))
    gains_db = np.where(np.abs(gains_db) < LEAST_GAIN_DB, 0.0, np.round(gains_db, 1))
    return tuple(band for band in _sections(controls, gains_db) if band.gain_db), float(tilt_db)


def _sections(controls: list[Control], gains_db: Floats) -> tuple[Section, ...]:
    return tuple(
        Section(kind=kind, gain_db=float(gain_db), q=q, **{place: frequency_hz})
        for (kind, place, frequency_hz, q), gain_db in zip(controls, gains_db, strict=True)
    )


def _largest_db(controls: list[Control], gains_db: Floats) -> float:
    """Return the largest gain of all controls together, up or down; never zero."""
    frequency_hz = np.geomspace(100.0, 10_000.0, 60)
    return max(1e-9, float(np.abs(response_db(_sections(controls, gains_db), frequency_hz)).max()))


def _octaves(frequency_hz: Floats) -> Floats:
    """Return how far frequencies lie above 1 kHz."""
    return np.asarray(np.log2(frequency_hz / 1000.0))


def _centred(level_db: Floats, weight: Floats) -> Floats:
    """Take the mean off: how loud it is does not matter here."""
    return np.asarray(level_db - np.average(level_db, weights=weight**2))


def _rms(level_db: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(level_db)))) if len(level_db) else 0.0
