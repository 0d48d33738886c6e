"""What several tests need: the clips, a rig with given paths, a chain run from end to end."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.rig import Equalise, Rig, rig_from_table
from carrierfloor.dsp.voice import Voice
from tests.reference import nasty

Array = NDArray[np.float64]

ROOT = Path(__file__).parents[1]
SPOKEN = {
    file.stem: file
    for folder in ("audio_samples", "tests/open_speech")
    for file in sorted((ROOT / folder).glob("*.flac"))
}
ALL_SOUNDS = [*SPOKEN, *nasty.SIGNALS]


@cache
def voice(name: str = presets.DEFAULT_VOICE) -> Voice:
    """Return a shipped voice."""
    return presets.voice(name)


@cache
def sound(name: str) -> Array:
    """Return a clip or a nasty signal, 48 kHz."""
    if name in nasty.SIGNALS:
        samples = nasty.SIGNALS[name]()
    else:
        samples, rate_hz = sf.read(SPOKEN[name])
        assert rate_hz == nasty.RATE_HZ
    samples.flags.writeable = False
    return np.asarray(samples)


def rig_table(
    paths: Sequence[Sequence[Any]],
    *,
    polarity: str = "normal",
    full_modulation_dbfs: float = -6.0,
    negative_limit_pct: float = 95.0,
    positive_limit_pct: float = 125.0,
) -> dict[str, Any]:
    """Return the content of a rig file with these paths."""
    return {
        "name": "a rig of the tests",
        "modulation": {
            "negative_limit_pct": negative_limit_pct,
            "positive_limit_pct": positive_limit_pct,
        },
        "level": {"full_modulation_dbfs": full_modulation_dbfs, "polarity": polarity},
        "paths": [{"name": f"path {n}", "sections": path} for n, path in enumerate(paths, 1)],
    }


def rig(paths: Sequence[Sequence[Any]] = (), **changes: Any) -> Rig:
    """Return a rig with these paths; changes as for :func:`rig_table`."""
    return rig_from_table(rig_table(paths, **changes), "rig of the tests")


def equalised(rig: Rig, **settings: float) -> Rig:
    """Return a rig with its equaliser on; settings as in a rig file."""
    return replace(rig, equalise=Equalise(enabled=True, **settings))


@cache
def _built(voice_name: str, path: str) -> Chain:
    return Chain(voice(voice_name), rig(nasty.PATHS[path]))


def chain(voice_name: str, path: str) -> Chain:
    """Return a chain as new for one of the paths in nasty.py; fitting a path takes a while."""
    built = _built(voice_name, path)
    built.reset()
    return built


def run(chain: Chain, samples: Array, cuts: Sequence[int] = ()) -> Array:
    """Feed a whole recording in the given pieces and return all that comes out.

    The output is ``chain.latency_samples`` longer than the input, or more with an equaliser.
    """
    free = max(0, len(samples) - chain.edge_samples)
    edges = sorted({0, free, len(samples), *(cut for cut in cuts if 0 < cut < len(samples))})
    out = []
    for start, stop in pairwise(edges):
        if start == free:
            chain.end_at(len(samples))
        out.append(chain.process(samples[start:stop]))
    return np.concatenate([*out, chain.flush()])
