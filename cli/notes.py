"""Notes: what a person should know about a processed file, in sentences."""

from collections.abc import Iterator

from carrierfloor.cli.job import Outcome
from carrierfloor.dsp.carrier import pep_w

LENGTH_TOLERANCE_S = 0.1  # between what a header promises and what the file holds


def notes(outcome: Outcome) -> list[str]:
    """Return the notes on one file, most files have none."""
    return [*_on_input(outcome), *_on_settings(outcome), *_on_output(outcome)]


def _on_input(outcome: Outcome) -> Iterator[str]:
    sound, intake = outcome.sound, outcome.intake
    if intake.nonfinite_samples:
        yield (
            f"{intake.nonfinite_samples} samples of the input were infinite or no number; "
            "they count as 0."
        )
    promised_s = (sound.frames_promised or 0) / sound.sample_rate_hz
    if promised_s > sound.duration_s + LENGTH_TOLERANCE_S:
        yield (
            f"The input ends after {sound.duration_s:.1f} s; "
            f"its header promises {promised_s:.1f} s."
        )
    if intake.cancels:
        yield "Mixing the channels cancels most of the sound; try --channel left or right."
    if outcome.heard.level.speech.active_rms == 0.0:
        yield "There is no speech in the input."


def _on_settings(outcome: Outcome) -> Iterator[str]:
    yield from (f"Voice: {warning}." for warning in outcome.voice.warnings)
    if outcome.low_pass_hz < outcome.wanted_low_pass_hz:
        yield (
            f"The low-pass narrowed from {outcome.wanted_low_pass_hz:.0f} to "
            f"{outcome.low_pass_hz:.0f} Hz to fit into {outcome.sample_rate_hz} Hz."
        )
    if not outcome.chain.is_compiled:
        yield "A stage of this voice runs in Python, so the chain is slower than it could be."


def _on_output(outcome: Outcome) -> Iterator[str]:
    carrier = outcome.rig.carrier
    crest = max(path.modulation.positive_peak for path in outcome.sent.antenna.paths)
    if carrier and carrier.pep_limit_w is not None:
        power_w = pep_w(carrier.power_w, crest)
        if power_w > carrier.pep_limit_w:
            yield (
                f"The peak envelope power of {power_w:.0f} W is over the rig's limit of "
                f"{carrier.pep_limit_w:.0f} W; lower --positive-limit or the carrier."
            )
    if outcome.quantiser.clipped_samples:
        yield f"{outcome.quantiser.clipped_samples} samples of the output clipped at full scale."
    if outcome.chain.meters["output.fault"]:
        yield "The output guard met an impossible sample and silenced the rest."
