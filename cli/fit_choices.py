"""What was found and what was chosen, each in a few words: for the screen and the voice file."""

from collections.abc import Iterator
from dataclasses import dataclass

from carrierfloor.cli.report import Report
from carrierfloor.dsp.asymmetry import LEAST_ROTATION_DB, LEAST_TURNING_DB
from carrierfloor.dsp.noise_gate_fit import QUIET_DB

LINES_SHOWN = 4


@dataclass(frozen=True)
class Choice:
    """One choice."""

    kind: str  # of the stage it is about
    title: str
    found: str  # the measurement, with its number
    chosen: str  # what follows


def choices(report: Report) -> Iterator[Choice]:
    """Yield all choices in the order in which they were made."""
    yield Choice("condition", "High-pass", _hum(report["hum"]), _corner(report["high_pass"]))
    yield _tone(report["tone"])
    if report["leveller"]["target_db"] is not None:
        yield _leveller(report["leveller"])
    yield _polarity(report["polarity"])
    yield _rotation(report["phase_rotation"])
    yield _gate(report["gate"])
    yield _drive(report["drive"], report["base"]["name"])


def _hum(hum: Report) -> str:
    if hum["mains_hz"] is None:
        return "no hum found"
    lines = sorted(hum["lines"].items(), key=lambda line: line[1])[:LINES_SHOWN]
    words = ", ".join(f"{float(key.removesuffix('_hz')):.0f} Hz {db:.0f} dB" for key, db in lines)
    return f"hum, under the speech: {words}"


def _corner(high_pass: Report) -> str:
    before_hz, corner_hz = high_pass["before_hz"], high_pass["corner_hz"]
    if corner_hz is None:
        return "none, as in the base voice"
    if before_hz == corner_hz:
        return f"{corner_hz:g} Hz, as it was"
    return f"{corner_hz:g} Hz instead of {before_hz:g} Hz"


def _tone(tone: Report) -> Choice:
    if not tone["third_octaves"]:
        found = "too little stands out of the noise to tell the tone"
    else:
        found = f"{tone['before_rms_db']:.1f} dB rms off the average spectrum of speech"
        if tone["tilt_db"] >= 0.1:
            found += f", apart from {tone['tilt_db']:.1f} dB an octave of brightness, which stays"
    if not tone["bands"]:
        return Choice("tone", "Tone", found, "no controls")
    chosen = f"{', '.join(tone['bands'])}: {tone['after_rms_db']:.1f} dB left"
    return Choice("tone", "Tone", found, chosen)


def _leveller(leveller: Report) -> Choice:
    found = (
        f"speech {leveller['recorded_db']:.1f} dB, levelled {leveller['levelled_db']:.1f} dB; "
        f"ordinary speech comes to {leveller['ordinary_db']:.1f} dB"
    )
    chosen = f"target {leveller['target_db']:g} dB"
    if leveller["target_db"] == leveller["before_db"]:
        chosen += ", as it was"
    else:
        chosen += f" instead of {leveller['before_db']:g} dB"
    return Choice("leveller", "Leveller", found, chosen)


def _polarity(polarity: Report) -> Choice:
    turning_db = polarity["turning_db"]
    effect = "brings" if turning_db > 0.0 else "costs"
    found = (
        f"upward peaks {_signed(polarity['recorded_db'])} dB against downward, where it is chosen "
        f"{_signed(polarity['processed_db'])} dB; tried at equal drive, turning over {effect} "
        f"{abs(turning_db):.2f} dB of density"
    )
    chosen = {
        "as_is": "as it is",
        "inverted": "turned over",
        "auto": f"auto: less than {LEAST_TURNING_DB:g} dB does not matter",
    }[polarity["mode"]]
    return Choice("polarity", "Polarity", found, chosen)


def _signed(value_db: float) -> str:
    """Return a level with its sign, never -0.0."""
    return f"{round(value_db, 1) + 0.0:+.1f}"


def _rotation(rotation: Report) -> Choice:
    effect = "brings" if rotation["gain_db"] > 0.0 else "costs"
    found = f"{effect} {abs(rotation['gain_db']):.2f} dB of density at equal drive"
    chosen = "on" if rotation["on"] else f"off: pays from {LEAST_ROTATION_DB:g} dB on"
    return Choice("phase_rotation", "Phase rotation", found, chosen)


def _gate(gate: Report) -> Choice:
    found = (
        f"pauses {gate['recorded_db']:.0f} dB under the speech, at the antenna without a gate "
        f"{gate['ungated_db']:.0f} dB"
    )
    if not gate["has_pauses"]:
        found = f"hardly a pause, so the noise is at least {gate['recorded_db']:.0f} dB under"
    if gate["is_kept"]:
        chosen = "as it was" if gate["threshold_db"] is not None else "none, as in the base voice"
    elif gate["threshold_db"] is None:
        chosen = f"ratio 1, which is none: {QUIET_DB:g} dB are quiet enough"
    else:
        chosen = (
            f"threshold {gate['threshold_db']:g} dB, range {gate['range_db']:g} dB, ratio "
            f"{gate['ratio']:g}"
        )
    return Choice("gate", "Gate", found, chosen)


def _drive(drive: Report, base: str) -> Choice:
    found = (
        f"density in {base}: ordinary speech {drive['ordinary_density_pct']:.1f} %, this recording "
        f"{drive['recorded_density_pct']:.1f} %"
    )
    chosen = (
        f"{drive['drive_db']:g} dB instead of {drive['before_db']:g} dB, for "
        f"{drive['wanted_density_pct']:.1f} %"
    )
    return Choice("drive", "Drive", found, chosen)
