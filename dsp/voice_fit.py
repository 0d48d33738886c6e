"""A voice fitted to one talker, microphone and room, from a recording of speech.

One thing after the other, in the order of the chain, each measured with what was chosen before it:
high-pass, tone, leveller, which way up and whether rotated, gate, and last the drive, which makes
up for all of them.  Each has a file of its own; this one puts them together.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.activity import ActiveSpeech, ActiveSpeechMeter
from carrierfloor.dsp.asymmetry import Asymmetry, fit_asymmetry
from carrierfloor.dsp.chain import GUARD
from carrierfloor.dsp.condition import ConditionDesign
from carrierfloor.dsp.drive_fit import DriveFit, fit_drive
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.fit_refusals import check_length, check_level, check_speech, check_unclipped
from carrierfloor.dsp.high_pass_fit import HighPassFit, fit_high_pass, gain_of
from carrierfloor.dsp.leveller_fit import LevellerFit, fit_leveller
from carrierfloor.dsp.low_pass import LowPassDesign
from carrierfloor.dsp.noise_gate_fit import GateFit, fit_gate
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.speech_spectrum import CENTRES_HZ, SpeechSpectrum, of_recording
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block, Context, Stage
from carrierfloor.dsp.tone import ToneDesign
from carrierfloor.dsp.tone_fit import ToneFit, fit_tone
from carrierfloor.dsp.voice import Voice
from carrierfloor.dsp.voice_edit import first_of, with_stage_behind

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class VoiceFit:
    """The voice, and all that led to it."""

    voice: Voice
    base: Voice
    samples: int  # of the recording at 48 kHz
    peak: float  # largest magnitude in it as it was recorded, 1.0 = full scale
    speech: ActiveSpeech  # of the recording behind the base voice's high-pass
    spectrum: SpeechSpectrum
    high_pass: HighPassFit
    tone: ToneFit
    leveller: LevellerFit | None  # None: the voice has none
    asymmetry: Asymmetry
    gate: GateFit
    drive: DriveFit


def fit_voice(
    samples: Block,
    base: Voice,
    rig: Rig,
    *,
    density: float | None = None,
    as_recorded: Block | None = None,
    progress: Callable[[str], None] = lambda words: None,
) -> VoiceFit:
    """Fit a voice to a recording of speech.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        The recording at 48 kHz.
    base : Voice
        What it begins with; it must have a drive stage.
    rig : Rig
        The transmitter.
    density : float, optional
        Modulation density wanted, 1.0 = 100 %; left out: see :func:`fit_drive`.
    as_recorded : ndarray, optional
        The recording before it was resampled, if it was: only there clipped peaks are flat.
    progress : callable
        Gets what is being worked out, in a word or two.

    Raises
    ------
    SettingError
        If the voice has no drive, or the density is out of reach.
    AudioError
        If the recording is of no use.
    """
    if first_of(base, "drive") is None:
        raise SettingError(
            f"voice {base.name!r} has no drive stage, which a fit needs; choose another --voice"
        )
    check_length(len(samples) / SAMPLE_RATE_HZ)
    weight = np.square(gain_of(_ahead_of_gate(base), CENTRES_HZ))
    spectrum = of_recording(samples, weight)
    check_speech(spectrum, weight)
    recorded = samples if as_recorded is None else as_recorded
    check_unclipped(recorded)
    speech = _speech(base, samples)
    check_level(speech.active_db)
    check_length(speech.activity * len(samples) / SAMPLE_RATE_HZ)

    progress("hum")
    high_pass, voice = fit_high_pass(base, samples, speech.active_rms)
    progress("tone")
    tone = fit_tone(spectrum, high_pass.corner_hz or 0.0, _highest_hz(base))
    if tone.bands:
        voice = with_stage_behind(voice, ToneDesign(bands=tone.bands), "condition")
    progress("leveller")
    limits = rig.modulation
    context = Context(negative_limit=limits.negative_aim, positive_limit=limits.positive_aim)
    leveller, voice = fit_leveller(voice, base, samples, context)
    progress("asymmetry")
    asymmetry, voice = fit_asymmetry(voice, rig, samples)
    progress("gate")
    ahead = np.square(gain_of(_ahead_of_gate(voice), CENTRES_HZ))
    gate, voice = fit_gate(voice, rig, samples, spectrum, ahead)
    progress("drive")
    drive = fit_drive(voice, base, rig, samples, density)
    return VoiceFit(
        voice=voice.with_drive(drive.drive_db),
        base=base,
        samples=len(samples),
        peak=float(np.abs(recorded).max()),
        speech=speech,
        spectrum=spectrum,
        high_pass=high_pass,
        tone=tone,
        leveller=leveller,
        asymmetry=asymmetry,
        gate=gate,
        drive=drive,
    )


def _ahead_of_gate(voice: Voice) -> list[Stage]:
    """Return fresh linear stages that the sound has passed where its noise is looked at."""
    return [s.build(Context()) for s in voice.stages if s.kind in ("condition", "tone")]


def _speech(voice: Voice, samples: Block) -> ActiveSpeech:
    """Return the active speech level behind the voice's high-pass."""
    design: ConditionDesign | None = first_of(voice, "condition")
    meter = ActiveSpeechMeter()
    meter.feed(design.build(Context()).process(samples) if design else samples)
    return meter.read()


def _highest_hz(voice: Voice) -> float:
    """Return the cut-off of the voice's last low-pass, or of the guard filter."""
    return [s.cutoff_hz for s in (GUARD, *voice.stages) if isinstance(s, LowPassDesign)][-1]
