"""The figures of a rig; cli/figures_keys.py says what each key means."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from carrierfloor.dsp import carrier, modulation_transformer, plate_modulation
from carrierfloor.dsp.rig import Modulator, Rig

Figures = dict[str, Any]  # nested: group, key, value; None for what is not known

PEAKS_PCT = (100.0, 125.0, 150.0)  # positive peaks shown beside the rig's own limit
TONE_PCT = 50.0 * 2.0**0.5  # rms of a full tone
# Medians of the twelve recordings in audio_samples and tests/open_speech, into the default rig:
AS_SPOKEN_PCT = 12.0  # turned up until the deepest trough is at 100 %
EVERYDAY_PCT = 27.0  # processed with the default voice


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What the options say."""

    rig: str | None = None  # name or file
    density_pct: float | None = None
    lowest_hz: float = 100.0
    highest_hz: float = 4000.0
    corner_hz: float | None = None
    inductance_h: float | None = None
    plate_to_plate_ohm: float | None = None


@dataclass(frozen=True, kw_only=True)
class MeasuredDensity:
    """What a sound file does at the antenna."""

    file: str
    channel: str
    density_pct: float
    activity_pct: float
    cutoffs: int


def build(rig: Rig, wanted: Wanted, measured: MeasuredDensity | None = None) -> Figures:
    """Return all figures that follow from what is known; their keys are those of ``KEYS``."""
    power = _power(rig)
    plate = _plate(rig, power["carrier_w"])
    modulator = _modulator(rig, plate)
    return {
        "power": power,
        "plate": plate,
        "modulator": modulator,
        "transformer": _transformer(rig, modulator, wanted),
        "antenna": _antenna(power["carrier_w"], wanted, measured),
        "audio": measured
        and {
            "file": measured.file,
            "channel": measured.channel,
            "activity_pct": measured.activity_pct,
            "cutoffs": measured.cutoffs,
        },
    }


def _known(formula: Callable[..., float], *values: float | None) -> float | None:
    """Apply a formula, if all that it needs is known."""
    given = [value for value in values if value is not None]
    return formula(*given) if len(given) == len(values) else None


def _first(option: float | None, of_the_rig: float | None) -> float | None:
    return of_the_rig if option is None else option


def _pct(fraction: float | None) -> float | None:
    return None if fraction is None else 100.0 * fraction


def at(pct: float) -> str:
    """Return the key of what belongs to one positive peak."""
    return f"at_{pct:g}_pct"


def peaks_pct(rig: Rig) -> list[float]:
    """Return the positive peaks to show: the usual ones and the rig's own limit."""
    return sorted({*PEAKS_PCT, rig.modulation.positive_limit_pct})


def _power(rig: Rig) -> Figures:
    carrier_w = rig.carrier.power_w if rig.carrier else None
    limit_w = rig.carrier.pep_limit_w if rig.carrier else None
    peaks = peaks_pct(rig)
    return {
        "carrier_w": carrier_w,
        "pep_limit_w": limit_w,
        "positive_limit_pct": rig.modulation.positive_limit_pct,
        "negative_limit_pct": rig.modulation.negative_limit_pct,
        "pep_w": {at(pct): _known(carrier.pep_w, carrier_w, pct / 100.0) for pct in peaks},
        "largest_carrier_w": {
            at(pct): _known(carrier.largest_carrier_w, limit_w, pct / 100.0) for pct in peaks
        },
        "highest_positive_limit_pct": _pct(
            _known(carrier.largest_positive_peak, limit_w, carrier_w)
        ),
    }


def _plate(rig: Rig, carrier_w: float | None) -> Figures:
    supply_v = rig.plate.supply_v if rig.plate else None
    current_a = rig.plate.current_a if rig.plate else None
    input_w = _known(plate_modulation.plate_input_w, supply_v, current_a)
    limits = rig.modulation
    up, down = limits.positive_limit_pct / 100.0, limits.negative_limit_pct / 100.0
    return {
        "supply_v": supply_v,
        "current_a": current_a,
        "input_w": input_w,
        "efficiency_pct": _pct(_known(plate_modulation.plate_efficiency, carrier_w, input_w)),
        "crest_v": {
            at(pct): _known(carrier.peak_plate_v, supply_v, pct / 100.0) for pct in peaks_pct(rig)
        },
        "crest_with_rf_v": _known(plate_modulation.peak_plate_with_rf_v, supply_v, up),
        "trough_v": _known(plate_modulation.trough_plate_v, supply_v, down),
        "residual_carrier_db": carrier.residual_carrier_db(down),
        "keep_alive_v": _known(plate_modulation.keep_alive_v, supply_v, down),
    }


def _modulator(rig: Rig, plate: Figures) -> Figures:
    input_w, limits = plate["input_w"], rig.modulation
    up, down = limits.positive_limit_pct / 100.0, limits.negative_limit_pct / 100.0
    sine = plate_modulation.largest_sine(down, up)
    return {
        "impedance_ohm": _known(
            plate_modulation.modulating_impedance_ohm, plate["supply_v"], plate["current_a"]
        ),
        "full_sine_w": _known(plate_modulation.sine_audio_w, input_w, 1.0),
        "sine_pct": 100.0 * sine,
        "sine_w": _known(plate_modulation.sine_audio_w, input_w, sine),
        "crest_w": _known(plate_modulation.instant_audio_w, input_w, up),
        "crest_as_sine_w": _known(plate_modulation.sine_audio_w, input_w, up),
        "trough_w": _known(plate_modulation.instant_audio_w, input_w, down),
        "crest_audio_v": _known(plate_modulation.audio_peak_v, plate["supply_v"], up),
    }


def _transformer(rig: Rig, modulator: Figures, wanted: Wanted) -> Figures:
    load_ohm, own = modulator["impedance_ohm"], rig.modulator or Modulator()
    lowest_hz, highest_hz = wanted.lowest_hz, wanted.highest_hz
    flat_from_hz, flat_to_hz = modulation_transformer.flat_band_hz(lowest_hz, highest_hz)
    return {
        "lowest_hz": lowest_hz,
        "highest_hz": highest_hz,
        "flat_from_hz": flat_from_hz,
        "flat_to_hz": flat_to_hz,
        **_advice(load_ohm, lowest_hz),
        **_winding(load_ohm, _first(wanted.inductance_h, own.transformer_inductance_h), wanted),
        **_ratios(
            load_ohm,
            _first(wanted.plate_to_plate_ohm, own.plate_to_plate_ohm),
            modulator["crest_audio_v"],
        ),
    }


def _advice(load_ohm: float | None, lowest_hz: float) -> Figures:
    coil, capacitor = (
        modulation_transformer.advised_inductance_h,
        modulation_transformer.advised_capacitor_f,
    )
    least, most = modulation_transformer.ADVISED_REACTANCES
    return {
        "advised_inductance_h": {
            "least": _known(coil, load_ohm, lowest_hz, least),
            "most": _known(coil, load_ohm, lowest_hz, most),
        },
        "advised_capacitor_f": {
            "least": _known(capacitor, load_ohm, lowest_hz, least),
            "most": _known(capacitor, load_ohm, lowest_hz, most),
        },
        "pi_inductance_h": _known(modulation_transformer.pi_inductance_h, load_ohm, lowest_hz),
        "pi_capacitor_f": _known(modulation_transformer.pi_capacitor_f, load_ohm, lowest_hz),
        "pi_drive": modulation_transformer.pi_filter_drive(lowest_hz, lowest_hz),
    }


def _winding(load_ohm: float | None, inductance_h: float | None, wanted: Wanted) -> Figures:
    return {
        "wanted_corner_hz": wanted.corner_hz,
        "inductance_for_corner_h": _known(
            modulation_transformer.inductance_for_corner_h, load_ohm, wanted.corner_hz
        ),
        "inductance_h": inductance_h,
        "corner_hz": _known(modulation_transformer.corner_of_inductance_hz, load_ohm, inductance_h),
        "reactance_ratio": _known(
            modulation_transformer.reactance_ratio, load_ohm, inductance_h, wanted.lowest_hz
        ),
    }


def _ratios(
    load_ohm: float | None, plate_to_plate_ohm: float | None, crest_audio_v: float | None
) -> Figures:
    turns = _known(modulation_transformer.turns_ratio, plate_to_plate_ohm, load_ohm)
    return {
        "plate_to_plate_ohm": plate_to_plate_ohm,
        "impedance_ratio": _known(
            modulation_transformer.impedance_ratio, plate_to_plate_ohm, load_ohm
        ),
        "turns_ratio": turns,
        "modulator_swing_v": _known(modulation_transformer.modulator_swing_v, crest_audio_v, turns),
    }


def _antenna(carrier_w: float | None, wanted: Wanted, measured: MeasuredDensity | None) -> Figures:
    """Return one entry for each density: those asked for, or else what is typical."""
    densities_pct = {"tone": TONE_PCT}
    if measured is not None:
        densities_pct["audio"] = measured.density_pct
    if wanted.density_pct is not None:
        densities_pct["given"] = wanted.density_pct
    if len(densities_pct) == 1:
        densities_pct |= {"as_spoken": AS_SPOKEN_PCT, "everyday": EVERYDAY_PCT}
    return {
        kind: {
            "density_pct": pct,
            "sideband_w": _known(carrier.sideband_power_w, carrier_w, pct / 100.0),
            "current_ratio": carrier.antenna_current_ratio(pct / 100.0),
        }
        for kind, pct in densities_pct.items()
    }
