"""Make carrier.png: what three ways of being loud do to the carrier of the default rig.

Usage, from the top of the repository::

    python audio_samples/make_picture.py

The same voice goes to the antenna three times: unprocessed, at the density of the last; driven
and clipped in the speech amplifier, with a low-pass after the clipper, and set by what its own
output looks like; and through carrierfloor.
"""

from pathlib import Path

import numpy as np
import soundfile as sf

from carrierfloor import presets
from carrierfloor.cli.pictures import envelope_figure, save, style
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.prediction import AntennaMeter, AntennaReading
from carrierfloor.dsp.rig import Level, Rig
from carrierfloor.dsp.stage import Block, Context, Stage
from carrierfloor.dsp.voice import Voice

HERE = Path(__file__).parent
SAMPLE = HERE / "evening_round_male.flac"
LOUD = Rig(name="a scope at the sound card", level=Level(full_modulation_dbfs=0.0))


def at_antenna(card: Block, rig: Rig) -> AntennaReading:
    """Return what the antenna sees of sound-card samples."""
    meter = AntennaMeter(rig)
    meter.feed(card)
    return meter.finish()


def run(stages: list[Stage], samples: Block) -> Block:
    """Run stages one after another; the delay stays in."""
    late = sum(stage.latency_samples for stage in stages)
    samples = np.concatenate([samples, np.zeros(late)])
    for stage in stages:
        samples = stage.process(samples)
    return samples


def clipped_early(samples: Block, voice: Voice, rig: Rig) -> Block:
    """Drive and clip at the limits, low-pass, and set the level by the peaks at the card."""
    down = rig.modulation.negative_limit_pct / 100.0
    up = rig.modulation.positive_limit_pct / 100.0
    context = Context(negative_limit=down, positive_limit=up)
    kinds = [design.kind for design in voice.stages]
    driven = run([d.build(context) for d in voice.stages[: kinds.index("clipper")]], samples)
    low_pass = voice.stages[kinds.index("low_pass")].build(context)
    clipped = run([low_pass], np.clip(driven, -down, up))
    seen = at_antenna(clipped, LOUD).modulation
    largest = max(seen.negative_peak / down, seen.positive_peak / up)
    return clipped * (rig.level.sample_at_full_modulation / largest)


def main() -> None:
    """Draw and save the picture."""
    voice, rig = presets.voice(), presets.rig()
    samples, _ = sf.read(SAMPLE)
    chain = Chain(voice, rig)
    ours = at_antenna(np.concatenate([chain.process(samples), chain.flush()]), rig)
    raw = at_antenna(samples, rig)
    as_loud = samples * (ours.speech.active_rms / raw.speech.active_rms)
    signals = {
        "Unprocessed, as loud": at_antenna(as_loud, rig),
        "Clipped early, low-pass": at_antenna(clipped_early(samples, voice, rig), rig),
        "carrierfloor": ours,
    }
    with style():
        print(save(envelope_figure(signals, rig.modulation), HERE / "carrier.png"))
    for label, reading in signals.items():
        m = reading.modulation
        print(
            f"{label:26} -{100 * m.negative_peak:.1f} % +{100 * m.positive_peak:.1f} % "
            f"cut-offs {m.cutoffs}, density {100 * reading.speech.active_rms:.1f} %, "
            f"beyond 5 kHz {reading.emission.beyond_dbc(5000.0):.1f} dBc"
        )


if __name__ == "__main__":
    main()
