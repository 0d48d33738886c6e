"""What the tests of the command line share: sounds in files, documents, a way to run a command."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.cli.main import main
from tests.clips import Array

FULL = 10 ** (-6 / 20)  # the level of both rigs below

FLAT_RIG = """
name = "flat"
[carrier]
power_w = 100.0
pep_limit_w = 400.0
[level]
full_modulation_dbfs = -6.0
"""
PATH_RIG = (
    FLAT_RIG
    + """
[[paths]]
name = "transformer"
  [[paths.sections]]
  kind = "highpass"
  corner_hz = 40.0
  q = 0.7
"""
)
NOTHING = 'name = "nothing but the limiter"'


def talk(rate_hz: int, seconds: float = 1.0, peak: float = 0.5) -> Array:
    """Something like speech: three bursts of a voiced sound, closed form in time."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    voiced = sum(np.cos(2 * np.pi * 140.0 * k * t) / k for k in (1, 2, 3, 5, 8))
    return np.asarray(peak / 2.4 * np.sin(3 * np.pi * t / seconds) ** 2 * voiced)


def write_sound(
    path: Path, samples: Array | None = None, *, rate_hz: int = 48_000, subtype: str = "FLOAT"
) -> Path:
    """Write a sound file, by default a second of :func:`talk`."""
    sf.write(path, talk(rate_hz) if samples is None else samples, rate_hz, subtype=subtype)
    return path


def write_text(path: Path, text: str) -> Path:
    """Write a document."""
    path.write_text(text, "utf-8")
    return path


def documents(folder: Path, rig: str = FLAT_RIG) -> list[str]:
    """Write a voice without stages and a rig; return the options that name them."""
    voice_file = write_text(folder / "nothing.toml", NOTHING)
    rig_file = write_text(folder / "rig.toml", rig)
    return ["--voice", str(voice_file), "--rig", str(rig_file)]


def run(*arguments: object) -> int:
    """Run a command in this process; return its exit status."""
    try:
        return main([str(argument) for argument in arguments])
    except SystemExit as leaving:  # argparse leaves by itself
        return int(leaving.code or 0)


def refusal(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    """Run a command that must be refused; return its one line."""
    capsys.readouterr()
    assert run(*arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.endswith("\n")
    lines = [line for line in err.splitlines() if not line.startswith("First run")]
    assert len(lines) == 1
    return lines[0]


def command(*arguments: object) -> list[str]:
    """Return a command line for another process."""
    return [sys.executable, "-m", "carrierfloor.cli", *map(str, arguments)]


def in_other_process(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run a command as a person would."""
    return subprocess.run(command(*arguments), capture_output=True, text=True, check=False)


def left_over(folder: Path) -> list[str]:
    """Return unfinished files, hidden ones too."""
    return [file.name for file in folder.rglob("*.part")]


def last_words(process: "subprocess.Popen[str]", patience_s: float) -> str:
    """Wait for a command to end and return what it said; one that does not end is killed."""
    try:
        return process.communicate(timeout=patience_s)[1]
    except subprocess.TimeoutExpired:
        process.kill()  # or leaving its with statement would wait for ever
        raise
