"""What the equaliser of a rig is worth: the same speech, paths and limits, without it and with it.

Usage, from the top of the repository::

    python -m tests.bench.equaliser [--voice NAME ...] [--reach] [--markdown]

Every shipped rig that has a path, every set of paths in tests/reference/nasty.py, and three hard
ones; all clips of audio_samples and tests/open_speech.  The antenna is computed by
tests/reference/antenna.py.  Density is the rms of the modulation in active speech (ITU-T P.56),
loudness that of the modulation after ITU-R BS.1770 (pyebur128); of several paths the weakest
counts.  Both are means over the clips, the equalised rig against the plain one.  ``flat`` is what
the loudness would gain if the transmitter had no paths at all.
``--reach`` adds how much less carrier is needed to be understood in noise (half of the score, first
path only), as in intelligibility.py.
"""

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from pyebur128 import MeasurementMode, R128State, get_loudness_global

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.equaliser import equaliser_of
from carrierfloor.dsp.rig import Equalise, Rig
from tests import clips
from tests.reference import antenna, nasty
from tests.reference.speech_level import active_rms

Array = clips.Array
RATE_HZ = 48_000
FINE = 8
HARD: Mapping[str, list[list[dict[str, Any]]]] = {
    "small transformer, 150 Hz and 4 kHz": [
        [
            {"kind": "highpass", "corner_hz": 150.0, "q": 1.0},
            {"kind": "lowpass", "corner_hz": 4000.0, "q": 0.7},
        ]
    ],
    "RC stages, 300 Hz and 3 kHz": [
        [{"kind": "highpass", "corner_hz": 300.0}, {"kind": "lowpass", "corner_hz": 3000.0}]
    ],
    "resonant 60 Hz and 3.5 kHz": [
        [
            {"kind": "highpass", "corner_hz": 60.0, "q": 1.5},
            {"kind": "lowpass", "corner_hz": 3500.0, "q": 3.0},
        ]
    ],
}
HEADS = (
    "deviation, dB",
    "boost",
    "density",
    "loudness",
    "flat",
    "trough, crest, %",
    "limiter, dB",
    "card, dBFS",
)


@dataclass(frozen=True)
class Result:
    """The figures of one rig over all clips."""

    density_db: float
    loudness_lu: float
    trough: float
    crest: float
    reduction_db: float  # mean of the limiter
    card_dbfs: float


def measure(rig: Rig, voice: str, sounds: Sequence[Array]) -> Result:
    """Run all clips through one rig."""
    chain = Chain(clips.voice(voice), rig)
    each = [_one(chain, rig, samples) for samples in sounds]
    return Result(
        density_db=float(np.mean([one.density_db for one in each])),
        loudness_lu=float(np.mean([one.loudness_lu for one in each])),
        trough=max(one.trough for one in each),
        crest=max(one.crest for one in each),
        reduction_db=float(np.mean([one.reduction_db for one in each])),
        card_dbfs=max(one.card_dbfs for one in each),
    )


def _one(chain: Chain, rig: Rig, samples: Array) -> Result:
    chain.reset()
    card = clips.run(chain, samples)
    full = rig.level.sample_at_full_modulation
    paths = [antenna.modulation(card, RATE_HZ, full, path, FINE) for path in _tables(rig)]
    coarse = [m[::FINE] for m in paths]
    return Result(
        density_db=20 * np.log10(min(active_rms(m, RATE_HZ) for m in coarse)),
        loudness_lu=min(_loudness_lufs(m) for m in coarse),
        trough=max(-float(m.min()) for m in paths),
        crest=max(float(m.max()) for m in paths),
        reduction_db=chain.meters["limiter.gain_reduction_mean_db"],
        card_dbfs=20 * np.log10(np.abs(card).max()),
    )


def reach_db(rig: Rig, equalised: Rig, voice: str) -> float:
    """Return how much less carrier the equalised rig needs, mean over the clips."""
    from tests.bench import intelligibility as noise

    saved = []
    for file in clips.SPOKEN.values():
        clip = noise.read_clip(file)
        clean = noise.receiver_audio(*noise.spectrum(clip))
        needed = [
            noise.Reception(
                clean,
                noise.received(noise.processed(clip, clips.voice(voice), one), one, False),
            ).cn_needed_db(0.5)
            for one in (rig, equalised)
        ]
        saved.append(needed[0] - needed[1])
    return float(np.nanmean(saved))


def _tables(rig: Rig) -> list[list[dict[str, Any]]]:
    """Return the rig's paths as the reference wants them."""
    return [
        [{k: v for k, v in vars(s).items() if v is not None} for s in path.sections]
        for path in rig.paths
    ] or [[]]


def _loudness_lufs(modulation: Array) -> float:
    state = R128State(1, RATE_HZ, MeasurementMode.MODE_I)
    samples = np.ascontiguousarray(modulation)
    state.add_frames(samples, len(samples))
    return float(get_loudness_global(state))


def rigs() -> dict[str, Rig]:
    """Return all rigs, without an equaliser."""
    shipped = {name: presets.rig(name) for name in presets.names("rigs")}
    found = {name: rig for name, rig in shipped.items() if rig.paths}
    paths = {name: rows for name, rows in nasty.PATHS.items() if rows}
    return found | {name: clips.rig(rows) for name, rows in (paths | dict(HARD)).items()}


def figures(rig: Rig, voice: str, sounds: Sequence[Array], *, reach: bool) -> tuple[str, ...]:
    """Measure one rig without and with an equaliser; return the figures in order of ``HEADS``."""
    equalised = replace(rig, equalise=Equalise(enabled=True))
    made = equaliser_of(equalised)
    before, after = measure(rig, voice, sounds), measure(equalised, voice, sounds)
    flat = measure(replace(rig, paths=()), voice, sounds)
    return (
        f"{made.before_db:.1f} to {made.after_db:.1f}",
        f"{made.boost_db:.1f} dB",
        f"{after.density_db - before.density_db:+.2f} dB",
        f"{after.loudness_lu - before.loudness_lu:+.2f} LU",
        f"{flat.loudness_lu - before.loudness_lu:+.2f} LU",
        f"{100 * after.trough:.2f}, {100 * after.crest:.2f}",
        f"{before.reduction_db:.2f} to {after.reduction_db:.2f}",
        f"{before.card_dbfs:.1f} to {after.card_dbfs:.1f}",
        *([f"{reach_db(rig, equalised, voice):+.2f} dB"] if reach else []),
    )


def main() -> None:
    """Measure and print, line by line."""
    parser = argparse.ArgumentParser(description="Tell what the equaliser is worth.")
    parser.add_argument("--voice", nargs="+", default=[presets.DEFAULT_VOICE], help="shipped ones")
    parser.add_argument("--reach", action="store_true", help="under noise too; takes a while")
    parser.add_argument("--markdown", action="store_true", help="print a Markdown table")
    options = parser.parse_args()
    sounds = [clips.sound(name) for name in clips.SPOKEN]
    heads = (*HEADS, "reach") if options.reach else HEADS
    for voice in options.voice:
        print(f"\n{len(sounds)} clips, voice {voice!r}\n")
        _print("", heads, options.markdown)
        if options.markdown:
            print("|---" * (len(heads) + 1) + "|")
        for name, rig in rigs().items():
            _print(name, figures(rig, voice, sounds, reach=options.reach), options.markdown)


def _print(name: str, texts: Sequence[str], markdown: bool) -> None:
    if markdown:
        print(f"| {name} | " + " | ".join(texts) + " |", flush=True)
    else:
        print(f"{name:36s}" + "".join(f"{text:>17s}" for text in texts), flush=True)


if __name__ == "__main__":
    main()
