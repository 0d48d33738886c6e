"""The corner of the high-pass that a talker's hum asks for."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from carrierfloor.dsp.condition import ConditionDesign
from carrierfloor.dsp.hum_and_noise import hum_and_noise
from carrierfloor.dsp.hum_lines import Line
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.quiet_stretch import QuietStretch
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block, Context, Stage
from carrierfloor.dsp.voice import Voice
from carrierfloor.dsp.voice_edit import first_of, with_settings

# So far under the speech, ahead of all that raises the pauses, hum is not heard (no source).
UNHEARD_DB = 55.0
STEP_HZ, HIGHEST_HZ = 5.0, 140.0  # beyond, a low voice loses its ground
# Only what lies below the voice is a matter for a high-pass; the harmonics are in the voice.
BELOW_VOICE_HZ = 75.0
HEARD_HZ = 1000.0
PAUSE_DB = 15.0  # a stretch so far under the whole recording is a pause
RESPONSE = 1 << 15  # samples


@dataclass(frozen=True, kw_only=True)
class HighPassFit:
    """What was found; levels in dB under the active speech, positive."""

    mains_hz: float | None  # None: no hum
    hum: tuple[tuple[float, float], ...]  # frequency in Hz and level of each line
    before_hz: float | None  # corner of the voice it began with; None: no high-pass
    corner_hz: float | None
    left_db: float | None  # the strongest line behind the high-pass


def fit_high_pass(voice: Voice, samples: Block, active_rms: float) -> tuple[HighPassFit, Voice]:
    """Find hum and the lowest corner that takes it away; return that and the voice with it.

    Parameters
    ----------
    voice : Voice
        With its high-pass in the stage ``condition``, if it has one.
    samples : ndarray, shape (n,)
        The recording at 48 kHz, half a second at least.
    active_rms : float
        Its active speech level.
    """
    found = hum_and_noise(_quietest(samples), SAMPLE_RATE_HZ, HEARD_HZ)
    hum = tuple((line.frequency_hz, _under_db(line, active_rms)) for line in found.hum)
    design = first_of(voice, "condition")
    low = [one for one in hum if one[0] < BELOW_VOICE_HZ]
    chosen = _chosen(design, low) if design else None
    left = [under_db + _loss_db(chosen, frequency_hz) for frequency_hz, under_db in hum]
    fit = HighPassFit(
        mains_hz=found.mains_hz,
        hum=hum,
        before_hz=design.high_pass_hz if design else None,
        corner_hz=chosen.high_pass_hz if chosen else None,
        left_db=min(left, default=None),
    )
    if chosen is None or chosen == design:
        return fit, voice
    return fit, with_settings(voice, "condition", high_pass_hz=chosen.high_pass_hz)


def gain_of(stages: list[Stage], frequency_hz: Block) -> Block:
    """Return the magnitude that fresh linear stages have at some frequencies."""
    response = np.zeros(RESPONSE)
    response[0] = 1.0
    for stage in stages:
        response = stage.process(response)
    line_hz = fft.rfftfreq(RESPONSE, 1.0 / SAMPLE_RATE_HZ)
    return np.asarray(np.interp(frequency_hz, line_hz, np.abs(fft.rfft(response))))


def _quietest(samples: Block) -> Block:
    """Return a pause, where hum stands by itself; all of a recording that has none."""
    finder = QuietStretch()
    finder.feed(samples)
    quiet = finder.read()
    return quiet.samples if quiet and quiet.below_rest_db >= PAUSE_DB else samples


def _chosen(design: ConditionDesign, low: list[tuple[float, float]]) -> ConditionDesign:
    """Return the lowest corner behind which no line is heard, or the highest there is."""
    corner_hz = design.high_pass_hz
    while corner_hz + STEP_HZ <= HIGHEST_HZ:
        tried = replace(design, high_pass_hz=corner_hz)
        if all(db + _loss_db(tried, hz) >= UNHEARD_DB for hz, db in low):
            return tried
        corner_hz += STEP_HZ
    return replace(design, high_pass_hz=corner_hz)


def _loss_db(design: ConditionDesign | None, frequency_hz: float) -> float:
    if design is None:
        return 0.0
    gain = gain_of([design.build(Context())], np.array([frequency_hz]))
    return -decibels(float(gain[0]))


def _under_db(line: Line, active_rms: float) -> float:
    """Return how far a line lies under the speech: its rms against that of the speech."""
    return decibels(active_rms / (line.amplitude / np.sqrt(2.0)))
