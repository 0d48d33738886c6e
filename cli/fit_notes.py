"""Notes on a fitted voice: what a person should know, in sentences."""

from collections.abc import Iterator

from carrierfloor.dsp.high_pass_fit import UNHEARD_DB
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ
from carrierfloor.dsp.voice_edit import first_of
from carrierfloor.dsp.voice_fit import VoiceFit

SHORT_S = 15.0  # of speech
LOUD_HUM_DB = 40.0  # under the speech


def notes(found: VoiceFit) -> list[str]:
    """Return the notes on a fit."""
    return [
        *_on_recording(found),
        *_on_base(found),
        *_on_noise(found),
        *_on_hum(found),
        *_on_polarity(found),
    ]


def _on_recording(found: VoiceFit) -> Iterator[str]:
    speech_s = found.speech.activity * found.samples / SAMPLE_RATE_HZ
    if speech_s < SHORT_S:
        yield (
            f"The recording holds {speech_s:.0f} s of speech; the tone is surer with 20 s or more, "
            "since it is that of the words spoken as well as of the voice."
        )


def _on_base(found: VoiceFit) -> Iterator[str]:
    if found.tone.bands and first_of(found.base, "tone"):
        yield (
            "The voice it begins with has tone controls of its own; they stay, behind the fitted "
            "ones. If they were fitted to the same microphone, begin with another voice."
        )


def _on_noise(found: VoiceFit) -> Iterator[str]:
    gate = found.gate
    if gate.is_near:
        yield (
            f"The noise in the pauses is only {gate.recorded_db:.0f} dB under the speech: a gate "
            "cannot tell it from the ends of words. Go nearer to the microphone or quiet the room, "
            "and record again."
        )
    elif not found.spectrum.has_pauses:
        yield (
            "There is hardly a pause in the recording, so nothing is known of the room; leave some "
            "pauses and record again."
        )


def _on_hum(found: VoiceFit) -> Iterator[str]:
    strongest = min(found.high_pass.hum, key=lambda line: line[1], default=None)
    if strongest and (found.high_pass.left_db or UNHEARD_DB) < LOUD_HUM_DB:
        yield (
            f"There is hum: {strongest[0]:.0f} Hz {strongest[1]:.0f} dB under the speech, and the "
            f"strongest line is {found.high_pass.left_db:.0f} dB under it behind the high-pass. "
            "Look for its source: a ground loop, a cable beside a transformer."
        )


def _on_polarity(found: VoiceFit) -> Iterator[str]:
    if found.asymmetry.mode != "auto":
        yield (
            "The polarity is laid down for this microphone and this way to the sound card; with "
            'another, fit again or write mode = "auto".'
        )
