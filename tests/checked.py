"""Recordings in files, and what the command ``check`` says of them."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf

from carrierfloor.cli.main import main
from tests.reference.radio import Array, ComplexArray, as_bytes


def write_recording(path: Path, samples: Array | ComplexArray, rate_hz: float) -> Path:
    """Write IQ as two channels, anything else as one; raw by the ending."""
    if path.suffix.startswith(".c"):
        kind = {".cu8": "u8", ".cs8": "s8", ".cs16": "s16", ".cf32": "f32"}[path.suffix]
        path.write_bytes(as_bytes(np.asarray(samples, dtype=complex), kind))
        return path
    both = np.column_stack([samples.real, samples.imag]) if np.iscomplexobj(samples) else samples
    sf.write(path, both, round(rate_hz), subtype="PCM_24")
    return path


def checked(recording: Path, *options: str) -> dict[str, Any]:
    """Run ``check`` and return its report."""
    report = recording.with_suffix(".json")
    assert main(["check", str(recording), "--report", str(report), *options]) == 0
    content: dict[str, Any] = json.loads(report.read_text("utf-8"))
    return content
