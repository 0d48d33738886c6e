"""The rows of the table of figures: what, value, formula, in groups."""

from collections.abc import Iterator
from typing import NamedTuple

from carrierfloor.cli.figures_report import PEAKS_PCT, Figures, at
from carrierfloor.cli.units import DIGITS, quantity, rounded_down

KINDS = {
    "tone": "tone, 100 %",
    "as_spoken": "speech, unprocessed",
    "everyday": "speech, everyday voice",
    "given": "--density",
    "audio": "--audio, in speech",
}
TYPICAL = ("as_spoken", "everyday")  # not of this rig and this voice
TYPICAL_DIGITS = 2
RANGE_DIGITS = 3
EFFICIENCY_DIGITS = 3


class Row(NamedTuple):
    """One line of the table."""

    what: str
    value: str = ""
    formula: str = ""
    bad: bool = False  # over a limit, or impossible


def rows(found: Figures) -> dict[str, list[Row]]:
    """Return the rows of each group that has any; what is not known has no row."""
    groups = {
        "Power": _power(found["power"]),
        "Plate": _plate(found["plate"], found["power"]),
        "Modulator": _modulator(found["modulator"], found["power"]),
        "Modulation transformer": _transformer(found["transformer"], found["modulator"]),
        "Antenna": _antenna(found["antenna"]),
    }
    listed = {title: list(group) for title, group in groups.items()}
    return {title: group for title, group in listed.items() if group}


def _row(
    what: str, value: float | None, unit: str, formula: str = "", digits: int = DIGITS
) -> Iterator[Row]:
    """Yield one row, or none if the value is not known."""
    if value is not None:
        yield Row(what, quantity(value, unit, digits), formula)


def _peaks(power: Figures) -> list[tuple[float, str]]:
    """Return the positive peaks to show, each in words."""
    own = power["positive_limit_pct"]
    marked = {pct: "" for pct in PEAKS_PCT} | {own: ", this rig"}
    return [(pct, f"+{pct:g} %{marked[pct]}") for pct in sorted(marked)]


def _power(power: Figures) -> Iterator[Row]:
    own, limit_w = power["positive_limit_pct"], power["pep_limit_w"]
    yield from _row("Carrier, Pc", power["carrier_w"], "W", "[carrier] power_w")
    yield from _row("Licence limit, PEP", limit_w, "W", "[carrier] pep_limit_w")
    yield Row("Positive limit, m+", f"+{own:g} %", "[modulation] positive_limit_pct")
    down = f"-{power['negative_limit_pct']:g} %"
    yield Row("Negative limit, m-", down, "[modulation] negative_limit_pct")
    if power["carrier_w"] is not None:
        yield Row("Peak envelope power", formula="(1 + m+)² Pc, 47 CFR 97.3(b)(9)")
        yield from (_pep(power, pct, words) for pct, words in _peaks(power))
    fits_w, fits_pct = power["largest_carrier_w"][at(own)], power["highest_positive_limit_pct"]
    if fits_w is not None:
        fitting = quantity(rounded_down(fits_w), "W")
        yield Row(f"Largest carrier at +{own:g} %", fitting, "limit / (1 + m+)²")
    if fits_pct is not None and fits_pct > 0.0:
        what = f"Highest m+ at {quantity(power['carrier_w'], 'W')}"
        yield Row(what, f"+{rounded_down(fits_pct):.4g} %", "√(limit / Pc) - 1")


def _pep(power: Figures, pct: float, words: str) -> Row:
    pep_w, limit_w = power["pep_w"][at(pct)], power["pep_limit_w"]
    if limit_w is None or pep_w <= limit_w:
        return Row(f"  at {words}", quantity(pep_w, "W"))
    fits_w = rounded_down(power["largest_carrier_w"][at(pct)])
    fitting = f"over; a {quantity(fits_w, 'W')} carrier fits"
    return Row(f"  at {words}", quantity(pep_w, "W"), fitting, bad=True)


def _plate(plate: Figures, power: Figures) -> Iterator[Row]:
    if plate["supply_v"] is None:
        return
    own, down = power["positive_limit_pct"], power["negative_limit_pct"]
    yield from _row("Supply, Eb", plate["supply_v"], "V", "[plate] supply_v")
    yield from _row("Current, Ib", plate["current_a"], "A", "[plate] current_a")
    yield from _row("DC input", plate["input_w"], "W", "Eb Ib")
    efficiency_pct = plate["efficiency_pct"]
    if efficiency_pct is not None:
        impossible = efficiency_pct > 100.0
        value = quantity(efficiency_pct, "%", EFFICIENCY_DIGITS)
        yield Row("Efficiency, tank included", value, "Pc / (Eb Ib)", impossible)
    yield Row("Voltage at the crest", formula="(1 + m+) Eb, NEETS 12")
    for pct, words in _peaks(power):
        yield from _row(f"  at {words}", plate["crest_v"][at(pct)], "V")
    rf = f"  +{own:g} % with RF, up to"
    yield from _row(rf, plate["crest_with_rf_v"], "V", "2 (1 + m+) Eb, rule of thumb")
    yield Row("Voltage at the trough", formula="(1 - m-) Eb, NEETS 12")
    yield Row("  at -100 %", "0 V", "the carrier is off")
    left = f"20 lg(1 - m-) = {plate['residual_carrier_db']:.1f} dB"
    yield from _row(f"  at -{down:g} %, this rig", plate["trough_v"], "V", left)
    floor_v = plate["keep_alive_v"]
    yield from _row("Keep-alive, same floor", floor_v, "V", "(1 - m-) Eb, ideal diode")


def _modulator(modulator: Figures, power: Figures) -> Iterator[Row]:
    if modulator["impedance_ohm"] is None:
        return
    own, down = power["positive_limit_pct"], power["negative_limit_pct"]
    yield from _row("Modulating impedance, R", modulator["impedance_ohm"], "Ω", "Eb / Ib")
    yield Row("Audio power")
    yield from _row("  sine of 100 %", modulator["full_sine_w"], "W", "Eb Ib / 2")
    sine = f"  sine of {modulator['sine_pct']:g} %"
    yield from _row(sine, modulator["sine_w"], "W", "m² Eb Ib / 2, the smaller limit")
    rating = f"m+² Eb Ib; sine rating {quantity(modulator['crest_as_sine_w'], 'W')}"
    yield from _row(f"  instant of +{own:g} %", modulator["crest_w"], "W", rating)
    yield from _row(f"  instant of -{down:g} %", modulator["trough_w"], "W", "m-² Eb Ib")
    yield from _row(f"Audio voltage at +{own:g} %", modulator["crest_audio_v"], "V", "m+ Eb")


def _transformer(transformer: Figures, modulator: Figures) -> Iterator[Row]:
    if modulator["impedance_ohm"] is not None:
        yield from _advice(transformer)
        yield from _winding(transformer)
        yield from _ratios(transformer)


def _advice(transformer: Figures) -> Iterator[Row]:
    coil, capacitor = transformer["advised_inductance_h"], transformer["advised_capacitor_f"]
    yield from _row("Lowest frequency, f", transformer["lowest_hz"], "Hz", "--lowest")
    yield Row("Inductance, common practice", _range(coil, "H"), "3 to 4 R / (2π f)")
    yield Row("  reactor's capacitor", _range(capacitor, "F"), "3 to 4 / (2π f R)")
    yield from _row("Pi filter: each coil", transformer["pi_inductance_h"], "H", "√2 R / (2π f)")
    yield from _row("  its capacitor", transformer["pi_capacitor_f"], "F", "√2 / (4π f R)")
    swing = f"x {transformer['pi_drive']:.2f}"
    yield Row("  modulator's swing", swing, "√2 at f, constant-k high-pass")
    band = f"{transformer['flat_from_hz']:g}-{transformer['flat_to_hz']:g} Hz"
    yield Row("Make it flat", band, "an octave more, common practice")


def _winding(transformer: Figures) -> Iterator[Row]:
    needed_h, inductance_h = transformer["inductance_for_corner_h"], transformer["inductance_h"]
    if needed_h is not None:
        what = f"Inductance for {transformer['wanted_corner_hz']:g} Hz"
        yield from _row(what, needed_h, "H", "R / (2π F), at worst")
    if inductance_h is not None:
        what, formula = f"Corner of {quantity(inductance_h, 'H')}", "R / (2π L), at worst"
        yield from _row(what, transformer["corner_hz"], "Hz", formula)
        ratio = f"{transformer['reactance_ratio']:.3g} R"
        yield Row("  reactance at f", ratio, "2π f L")


def _ratios(transformer: Figures) -> Iterator[Row]:
    if transformer["turns_ratio"] is None:
        return
    impedance = quantity(transformer["plate_to_plate_ohm"], "Ω")
    yield Row("Plate to plate, Zpp", impedance)
    yield Row("  impedance ratio", f"{transformer['impedance_ratio']:.3g} : 1", "Zpp / R")
    turns = f"{transformer['turns_ratio']:.3g} : 1"
    yield Row("  turns ratio", turns, "√(Zpp / R), primary : secondary")
    swing_v = transformer["modulator_swing_v"]
    yield from _row("  swing of each plate", swing_v, "V", "m+ Eb x turns ratio / 2")


def _range(bounds: Figures, unit: str) -> str:
    """Return two values with one unit, such as 19.9-26.5 H."""
    least, most = (quantity(bounds[key], unit, RANGE_DIGITS) for key in ("least", "most"))
    number, its_unit = least.split()
    return f"{number}-{most}" if most.endswith(f" {its_unit}") else f"{least}-{most}"


def _antenna(antenna: Figures) -> Iterator[Row]:
    if antenna["tone"]["sideband_w"] is not None:
        yield Row("Sideband power", formula="d² Pc, d: density, rms of m")
    for kind, at_density in antenna.items():
        digits = TYPICAL_DIGITS if kind in TYPICAL else DIGITS
        what, density = f"  {KINDS[kind]}", _density(kind, at_density["density_pct"])
        yield from _row(what, at_density["sideband_w"], "W", density, digits)
    yield Row("Antenna current rises", formula="√(1 + d²), NEETS 21")
    for kind, at_density in antenna.items():
        rise = f"x {at_density['current_ratio']:.3f}"
        yield Row(f"  {KINDS[kind]}", rise, _density(kind, at_density["density_pct"]))


def _density(kind: str, density_pct: float) -> str:
    return f"d = {density_pct:.1f} %{', typical' if kind in TYPICAL else ''}"
