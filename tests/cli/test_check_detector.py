"""Detector recordings: what is corrected agrees with IQ of the same audio; what is hidden is said.

Two simulations: that of carrierfloor, whose truth is known and whose IQ goes another way, and one
in tests/reference that shares no code with it.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.cli.check_detector import KEYS, detector_notes, detector_report
from carrierfloor.cli.check_options import CheckOptions
from carrierfloor.cli.detector_source import DetectorSource
from carrierfloor.dsp.demodulate import Demodulator
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.simulated_channel import ChannelDesign
from carrierfloor.dsp.simulated_detector import DetectorDesign
from carrierfloor.dsp.simulated_modulator import ModulatorDesign
from carrierfloor.dsp.simulation import Simulation, SimulationDesign
from tests.checked import checked as report_of
from tests.checked import write_recording
from tests.clips import Array, rig, sound
from tests.reference.capture import Capture
from tests.reference.transmitter import Filter, Sections, Transmitter

RATE_HZ = 48_000
FULL = 10 ** (-6 / 20)
LIMIT = 0.95
PATH = (
    {"kind": "highpass", "corner_hz": 60.0, "q": 0.7},
    {"kind": "lowpass", "corner_hz": 6000.0, "q": 0.7},
)
RIG = rig([list(PATH)], full_modulation_dbfs=-6.0)
TRANSMITTER = Transmitter((Sections(PATH),), FULL)
INSIDE = slice(2 * RATE_HZ, -2 * RATE_HZ)


def talk(depth: float, clip: str = "plosives_male_slow", seconds: int = 5) -> Array:
    """Speech whose deepest trough at the antenna is ``depth``."""
    samples = np.asarray(sound(clip)[: seconds * RATE_HZ])
    return samples * depth / TRANSMITTER.judge(samples).trough


def simulated(kind: str, card: Array, *, noise_db: float = 50.0, **detector: float) -> Array:
    design = SimulationDesign(
        kind=kind,
        rate_hz=RATE_HZ,
        channel=ChannelDesign(carrier_to_noise_db=noise_db),
        detector=DetectorDesign(**detector),
    )
    return np.concatenate(list(Simulation(RIG, design).recording([card])))


def envelope_by_iq(card: Array) -> Array:
    demodulator = Demodulator(float(RATE_HZ), is_complex=True)
    parts = [demodulator.process(simulated("iq", card)), demodulator.finish()]
    return np.concatenate([part.in_phase for part in parts]) / 10 ** (-12 / 20)


@dataclass
class Checked:
    source: DetectorSource
    envelope: Array
    report: dict[str, Any]
    notes: list[str]

    @property
    def trough(self) -> float:
        return float(self.envelope[INSIDE].min())


def checked(recorded: Array, folder: Path, known: Array | None = None, **options: Any) -> Checked:
    sf.write(folder / "detector.wav", recorded, RATE_HZ, subtype="PCM_24")
    if known is not None:
        sf.write(folder / "known.wav", known, RATE_HZ, subtype="FLOAT")
        options["known"] = folder / "known.wav"
    with DetectorSource(CheckOptions(recording=folder / "detector.wav", **options), RIG) as source:
        envelope = np.concatenate([block.in_phase for block in source.blocks()])
        depth = 1.0 - float(envelope[INSIDE].min())
        report = detector_report(source, depth, LIMIT)
        return Checked(source, envelope, report, detector_notes(source, depth, LIMIT))


@pytest.mark.parametrize(
    ("depth", "detector"),
    [
        (0.88, {"knee_pct": 8.0, "rc_ms": 0.08}),
        (0.85, {"knee_pct": 4.0, "coupling_hz": 8.0}),
    ],
)
def test_above_the_knee_it_agrees_with_iq(
    depth: float, detector: dict[str, float], tmp_path: Path
) -> None:
    """Bounds: 1 % of the carrier at the trough; raw, the knee alone hides or adds more."""
    card = talk(depth)
    found = checked(simulated("detector", card, **detector), tmp_path, card)
    truth = envelope_by_iq(card)[: len(found.envelope)]
    true_trough = float(truth[INSIDE].min())
    assert true_trough > found.source.sight.lowest
    assert found.trough == pytest.approx(true_trough, abs=0.012)
    deep = truth[INSIDE] < 0.3
    assert np.abs(np.mean((found.envelope[INSIDE] - truth[INSIDE])[deep])) < 0.005
    low, high = found.source.sight.bounds(found.trough)
    assert low <= true_trough + 0.006  # what noise of 50 dB does to either reading
    assert high >= true_trough - 0.006
    assert found.report["knee_pct"] == pytest.approx(detector["knee_pct"], abs=1.0)
    assert found.report["coupling_hz"] == pytest.approx(detector.get("coupling_hz", 2.0), rel=0.1)
    assert found.report["may_be_safe"] == (found.report["depth_may_be_pct"] <= 100 * LIMIT)
    assert {f"detector.{key}" for key in found.report} == set(KEYS)


@pytest.mark.parametrize("depth", [0.97, 1.2])
def test_below_the_knee_it_warns(depth: float, tmp_path: Path) -> None:
    """A trough under a knee of 6 %: never safe, and said so."""
    card = talk(depth)
    found = checked(simulated("detector", card, knee_pct=6.0, rc_ms=0.03), tmp_path, card)
    assert not found.report["may_be_safe"]
    assert found.report["depth_may_be_pct"] >= 100.0
    assert any("does not see" in note for note in found.notes)
    wanted = "known audio" if depth > 1.0 else "known audio at the rig's level"
    assert found.report["carrier_from"] == wanted


def test_slow_capacitor_is_found_and_its_troughs_counted(tmp_path: Path) -> None:
    card = talk(0.9)
    found = checked(simulated("detector", card, rc_ms=0.25), tmp_path, card)
    assert found.report["rc_ms"] == pytest.approx(0.25, rel=0.03)
    assert found.report["hidden_troughs"] > 20
    true_trough = float(envelope_by_iq(card)[INSIDE].min())
    assert found.report["hidden_lowest_pct"] <= 100 * true_trough + 0.6
    assert found.report["depth_may_be_pct"] >= 100 * (1 - true_trough) - 0.6


def test_another_simulation_through_a_clock_and_16_bit(tmp_path: Path) -> None:
    """tests/reference: knee, first-order coupling, 150 ppm, upside down; its own arithmetic."""
    card = talk(0.86)
    coupling = Filter((1.0, 0.0), (1.0, 2 * np.pi * 3.0))
    capture = Capture(
        delay_s=0.7, clock_ppm=150.0, peak=-0.5, knee=0.06, detector=(coupling,), after_s=1.0
    )
    found = checked(capture.record(TRANSMITTER, card), tmp_path, card)
    assert found.report["knee_pct"] == pytest.approx(6.0, abs=1.2)
    assert found.report["carrier_level"] < 0.0
    begin = round(0.75 * RATE_HZ)
    trough = float(found.envelope[begin : begin + len(card)].min())
    assert trough == pytest.approx(1.0 - TRANSMITTER.judge(card).trough, abs=0.012)


def test_with_its_dc_it_finds_the_level_too(tmp_path: Path) -> None:
    """The rig's level is 1 dB wrong; a DC-coupled recording does not rely on it."""
    card = talk(0.85)
    recorded = simulated("detector", card, knee_pct=5.0, coupling_hz=0.0)
    found = checked(recorded, tmp_path, card * 10 ** (-1 / 20))
    assert found.report["carrier_from"] == "DC"
    assert found.source.fit is not None
    assert found.source.fit.level == pytest.approx(10 ** (1 / 20), rel=0.01)
    assert found.trough == pytest.approx(0.15, abs=0.012)


def test_unknown_knee_is_never_safe(tmp_path: Path) -> None:
    recorded = simulated("detector", talk(0.6), coupling_hz=0.0)
    found = checked(recorded, tmp_path)
    assert found.report["knee_pct"] is None
    assert not found.report["may_be_safe"]
    assert any("knee is not known" in note for note in found.notes)


def test_given_values_are_used(tmp_path: Path) -> None:
    card = talk(0.85)
    recorded = simulated("detector", card, knee_pct=5.0)
    level = 10 ** (-12 / 20)
    found = checked(recorded, tmp_path, carrier_level=level, knee=5.0, rc=0.0)
    assert found.trough == pytest.approx(0.15, abs=0.012)
    assert found.report["carrier_from"] == "given"


def test_a_given_level_is_that_of_a_recording_with_dc_too(tmp_path: Path) -> None:
    """What the note on a known sound says for later recordings."""
    recorded = simulated("detector", talk(0.85), knee_pct=5.0, coupling_hz=0.0)
    found = checked(recorded, tmp_path, carrier_level=10 ** (-12 / 20), knee=5.0, rc=0.0)
    assert found.trough == pytest.approx(0.15, abs=0.012)


def test_a_time_constant_is_found_where_the_first_guess_sees_none(tmp_path: Path) -> None:
    """A knee that is a little larger explains nearly as much without one."""
    card = talk(0.93, "evening_round_male", 4)
    detector = {"knee_pct": 5.0, "rc_ms": 0.05, "coupling_hz": 0.0}
    found = checked(simulated("detector", card, noise_db=90.0, **detector), tmp_path, card)
    assert found.report["rc_ms"] == pytest.approx(0.05, rel=0.1)
    assert found.report["knee_pct"] == pytest.approx(5.0, abs=0.2)
    assert found.report["depth_may_be_pct"] >= 93.0


def test_refuses_where_nothing_tells_the_height(tmp_path: Path) -> None:
    with pytest.raises(AudioError, match=r"does not say how high the carrier is.*no more can be"):
        checked(simulated("detector", talk(0.8)), tmp_path)


def test_refuses_a_known_sound_that_is_another(tmp_path: Path) -> None:
    other = np.asarray(sound("sibilants_female_fast")[: 4 * RATE_HZ])
    with pytest.raises(AudioError, match="not in this recording"):
        checked(simulated("detector", talk(0.8)), tmp_path, other)
    with (
        pytest.raises(SettingError, match="needs --rig"),
        DetectorSource(
            CheckOptions(recording=tmp_path / "detector.wav", known=tmp_path / "known.wav"), None
        ),
    ):
        pass


def test_a_flat_bottom_may_be_the_detectors(tmp_path: Path) -> None:
    """Even where something does hold the envelope up, a detector cannot tell."""
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    design = SimulationDesign(
        kind="detector",
        rate_hz=RATE_HZ,
        modulator=ModulatorDesign(keep_alive_pct=8.0),
        detector=DetectorDesign(coupling_hz=0.0),
    )
    card = 1.6 * FULL * np.sin(2 * np.pi * (300.0 + 400.0 * t) * t)
    recorded = np.concatenate(list(Simulation(RIG, design).recording([card])))
    found = report_of(write_recording(tmp_path / "r.wav", recorded, RATE_HZ), "--kind", "detector")
    assert found["modulation"]["negative_peak_pct"] > 93.0
    assert found["modulation"]["held_up_at_pct"] is None
