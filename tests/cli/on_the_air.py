"""Limited speech on the air through a simulated transmitter: what the tests of ``check`` share."""

import json
from pathlib import Path
from typing import Any

import numpy as np

from carrierfloor import presets
from carrierfloor.cli.main import main
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.rig import Rig
from tests import clips
from tests.reference.radio import Array

RATE_HZ = 48_000
SECONDS = 7


def rig_text(level_dbfs: float = -6.0, polarity: str = "normal", corner_hz: float = 40.0) -> str:
    return f"""
name = "a rig of the tests"  # my transmitter
[carrier]
power_w = 250.0
pep_limit_w = 1500.0
[level]
full_modulation_dbfs = {level_dbfs}
polarity = "{polarity}"
[[paths]]
name = "transformer"
  [[paths.sections]]
  kind = "highpass"
  corner_hz = {corner_hz}
  q = 0.7
"""


def rig_file(path: Path, **changes: Any) -> Path:
    path.write_text(rig_text(**changes), "utf-8")
    return path


def limited(rig: Rig, name: str = "evening_round_male") -> Array:
    """What the sound card plays: speech through the chain for a rig."""
    chain = Chain(presets.voice(), rig)
    speech = clips.sound(name)[: SECONDS * RATE_HZ]
    played = [chain.process(speech), chain.process(np.zeros(chain.latency_samples))]
    return np.concatenate(played)[chain.latency_samples :]


def on_the_air(audio: Path, folder: Path, *options: str, rig: Path | None = None) -> Path:
    """Simulate a recording; its truth lies beside it."""
    recording = folder / "recording.wav"
    arguments = ["simulate", str(audio), str(recording), "--kind", "iq", "--rate", "48000"]
    arguments += ["--report", str(folder / "truth.json"), "--offset-hz", "1500"]
    assert main([*arguments, "--rig", str(rig or rig_file(folder / "true.toml")), *options]) == 0
    return recording


def truth(folder: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((folder / "truth.json").read_text("utf-8"))
    return content
