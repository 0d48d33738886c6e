"""Captures of a sweep through simulated transmitters, and what ``measure`` makes of them."""

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf

from carrierfloor.cli import documents
from carrierfloor.cli.measure import read_capture, read_sweep
from carrierfloor.cli.measuring import Measured, Setting, measured
from carrierfloor.dsp.path import Path as AudioPath
from tests.cli.files import PATH_RIG, left_over, run, write_text
from tests.clips import Array
from tests.reference.capture import Capture
from tests.reference.transmitter import RATE_HZ, Bend, Sections, Transmitter, butterworth

FULL = 10 ** (-6 / 20)  # of PATH_RIG
COUPLING = Sections(
    (
        {"kind": "highpass", "corner_hz": 55.0, "q": 0.8},
        {"kind": "lowpass", "corner_hz": 6200.0, "q": 0.75},
    )
)
PLAIN = Transmitter(blocks=(COUPLING,), full_modulation=FULL)
REAL = Transmitter(
    blocks=(
        butterworth(1, 12.0, "highpass"),
        Sections(({"kind": "peak", "centre_hz": 800.0, "gain_db": 1.5, "q": 0.8},)),
        COUPLING,
        Bend(second=0.02, third=0.01),
    ),
    full_modulation=-FULL,
    hum=((120.0, 0.005, 0.3),),
)
HEARD = Capture(delay_s=0.4, clock_ppm=30.0, noise_db=50.0)
MINE = PATH_RIG.replace("[[paths]]", '[notes]\ntubes = "two"\n\n# the iron\n[[paths]]')


def fill(made: Path) -> Path:
    """Fill a folder with a sweep of 50 % and captures of it; return it."""
    rig = write_text(made / "for-the-sweep.toml", PATH_RIG)
    arguments = ["--rig", rig, "--level", 50, "--seconds", 4, "--out", made / "sweep.wav"]
    assert run("tone", "sweep", *arguments) == 0
    card = sf.read(made / "sweep.wav")[0]
    plain = HEARD.record(PLAIN, card)
    talker: Array = np.random.default_rng(1).uniform(-0.5, 0.5, len(plain))
    sf.write(made / "plain.wav", np.column_stack((talker, plain)), RATE_HZ, "PCM_16")
    sf.write(made / "real.wav", HEARD.record(REAL, card), RATE_HZ, "PCM_16")
    return made


@dataclass(frozen=True)
class Done:
    """A measurement that was run."""

    rig: Path
    report: Any


def run_measure(folder: Path, capture: str, place: Path, *options: object) -> Done:
    rig, report = write_text(place / "rig.toml", MINE), place / "report.json"
    files = [folder / "sweep.wav", folder / capture]
    assert run("measure", *files, "--rig", rig, "--report", report, *options) == 0
    assert left_over(place) == []
    return Done(rig, json.loads(report.read_text("utf-8")))


def run_all(folder: Path, place: Path) -> Done:
    """All that the command does, for a transmitter with everything."""
    options = ["--detector-polarity", "normal", "--pictures", place / "new" / "pictures"]
    return run_measure(folder, "real.wav", place, *options)


def path_of(folder: Path) -> tuple[Measured, Setting]:
    """The same as one of the command's own objects, the detector unknown."""
    sweep = read_sweep(folder / "sweep.wav")
    setting = Setting(
        sweep=sweep,
        sweep_source="sweep.wav",
        depth=0.5,
        detector=None,
        detector_source="",
        detector_polarity=None,
    )
    rig = documents.rig(str(folder / "for-the-sweep.toml"))
    capture = read_capture(folder / "real.wav", "mix")
    return measured(capture, "transformer", setting, rig), setting


def named(path: Measured, name: str, down_pct: float = 1.0, up_pct: float = 1.0) -> Measured:
    """Return the same measurement of a path with another name and margin."""
    fit = replace(path.fit, path=AudioPath(name=name, sections=path.fit.path.sections))
    margin = replace(path.margin, negative_margin_pct=down_pct, positive_margin_pct=up_pct)
    return replace(path, fit=fit, margin=margin)
