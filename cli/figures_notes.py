"""What a person should know about the figures of a rig: warnings, notes, what is missing."""

from collections.abc import Iterator

from carrierfloor.cli.figures_report import Figures, at
from carrierfloor.cli.units import quantity, rounded_down
from carrierfloor.dsp.modulation_transformer import ADVISED_REACTANCES
from carrierfloor.dsp.plate_modulation import USUAL_EFFICIENCY

LOWEST_LIMIT_PCT = 50.0  # that a rig file takes

# What a rig file or the options may leave out: the figure, what depends on it, what would tell.
POWER, LIMIT = "[carrier] power_w", "[carrier] pep_limit_w (1500 W in the US, 47 CFR 97.313(b))"
PLATE, CURRENT = "[plate] supply_v and current_a", "[plate] current_a"
PLATE_TO_PLATE = "--plate-to-plate OHM or [modulator] plate_to_plate_ohm"
INDUCTANCE = "--inductance H or [modulator] transformer_inductance_h"
DENSITY = "--audio FILE or --density PCT"


def missing(found: Figures) -> dict[str, str]:
    """Return what is not known, with the key or option that would tell."""
    return dict(_missing(found))


def _missing(found: Figures) -> Iterator[tuple[str, str]]:
    power, plate, transformer = found["power"], found["plate"], found["transformer"]
    if power["carrier_w"] is None:
        yield "peak and sideband power", POWER
    if power["pep_limit_w"] is None:
        yield "whether the licence allows it", LIMIT
    if plate["supply_v"] is None:
        yield "plate, modulator, transformer", PLATE
    elif plate["current_a"] is None:
        yield "DC input, modulator, transformer", CURRENT
    else:
        if transformer["inductance_h"] is None:
            yield "corner of your transformer", INDUCTANCE
        if transformer["plate_to_plate_ohm"] is None:
            yield "turns ratio", PLATE_TO_PLATE
    if not {"audio", "given"} & set(found["antenna"]):
        yield "sideband power of your voice", DENSITY


def warnings(found: Figures) -> list[str]:
    """Return what cannot be and what must not be."""
    return [*_on_power(found["power"]), *_on_input(found["plate"]), *_on_audio(found)]


def notes(found: Figures) -> list[str]:
    """Return what is unusual."""
    return [
        *_on_efficiency(found["plate"]),
        *_on_winding(found["transformer"]),
        *_on_silence(found),
    ]


def _on_power(power: Figures) -> Iterator[str]:
    carrier_w, limit_w = power["carrier_w"], power["pep_limit_w"]
    if carrier_w is None or limit_w is None:
        return
    pct = power["positive_limit_pct"]
    pep_w = power["pep_w"][at(pct)]
    if pep_w <= limit_w:
        return
    carrier = f"a carrier of {quantity(rounded_down(power['largest_carrier_w'][at(pct)]), 'W')}"
    over = (
        f"The peak envelope power at +{pct:g} % is {quantity(pep_w, 'W')}, over the limit of "
        f"{quantity(limit_w, 'W')}"
    )
    fits_pct = power["highest_positive_limit_pct"]
    if fits_pct >= LOWEST_LIMIT_PCT:
        yield f"{over}: a positive limit of +{rounded_down(fits_pct):g} % fits, or {carrier}."
    else:
        yield f"{over}: {carrier} fits; no positive limit does."


def _on_input(plate: Figures) -> Iterator[str]:
    efficiency_pct = plate["efficiency_pct"]
    if efficiency_pct is not None and efficiency_pct > 100.0:
        yield (
            f"An efficiency of {efficiency_pct:.0f} % cannot be: carrier power, supply voltage or "
            "plate current is wrong."
        )


def _on_audio(found: Figures) -> Iterator[str]:
    cutoffs = found["audio"]["cutoffs"] if found["audio"] else 0
    if cutoffs:
        times = "once" if cutoffs == 1 else f"{cutoffs} times"
        yield (
            f"{found['audio']['file']} cuts the carrier off {times}: it splatters, and d² Pc is "
            "not all of the power beside the carrier; see carrierfloor predict."
        )


def _on_efficiency(plate: Figures) -> Iterator[str]:
    efficiency_pct = plate["efficiency_pct"]
    usual_from, usual_to = (100.0 * bound for bound in USUAL_EFFICIENCY)
    if efficiency_pct is None or efficiency_pct > 100.0 or usual_from <= efficiency_pct <= usual_to:
        return
    yield (
        f"An efficiency of {efficiency_pct:.0f} % is unusual for a class C final (common practice: "
        f"{usual_from:.0f} to {usual_to:.0f} %); a switching one may reach 95 %. If yours is "
        "neither, look at power_w, supply_v and current_a again."
    )


def _on_winding(transformer: Figures) -> Iterator[str]:
    ratio, (least, most) = transformer["reactance_ratio"], ADVISED_REACTANCES
    if ratio is not None and ratio < least:
        yield (
            f"The transformer's reactance at {transformer['lowest_hz']:g} Hz is {ratio:.2g} times "
            f"Eb / Ib; common practice asks for {least:g} to {most:g}, which is "
            f"{quantity(transformer['advised_inductance_h']['least'], 'H', 3)} at least."
        )


def _on_silence(found: Figures) -> Iterator[str]:
    if found["audio"] and found["antenna"]["audio"]["density_pct"] == 0.0:
        yield f"There is no speech in {found['audio']['file']}."
