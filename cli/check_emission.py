"""What ``check`` says of the emission: bandwidths, power beyond, masks."""

import math
from dataclasses import dataclass
from typing import Any

from carrierfloor.cli.check_listening import Listened
from carrierfloor.cli.predict_report import BEYOND_HZ
from carrierfloor.cli.recording_in import IQ
from carrierfloor.cli.report import finite
from carrierfloor.dsp import bandwidth, mask_verdict
from carrierfloor.dsp.bandwidth import Bandwidth
from carrierfloor.dsp.emission import to_dbc
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mask import Mask
from carrierfloor.dsp.mask_verdict import MaskVerdict, WorstPoint
from carrierfloor.dsp.rf_spectrum import RfSpectrum
from carrierfloor.dsp.shared_power import has_line, shared_beyond
from carrierfloor.dsp.sidebands import asymmetry_db, power_beyond_dbc, shared_part
from carrierfloor.dsp.spectrum_meter import RESOLUTION_HZ
from carrierfloor.dsp.waterfall import Waterfall

VOICE_HZ = (300.0, 3000.0)  # where the match of the sidebands is looked at
FEIGNED = 3.0  # standard errors that noise may feign
RECEIVER_LINE_HZ = 30.0  # on each side of the line in the middle of an IQ recording

KEYS = {
    "emission.occupied_hz": "occupied bandwidth, 99 % of the mean power, carrier included (47 CFR "
    "2.202(a)); of what both sidebands have in common, so that noise and others do not count",
    "emission.power_26_db_hz": "width outside which the power is 26 dB below that inside (47 CFR "
    "97.3(a)(8), read as powers), likewise",
    "emission.level_26_db_hz": "between the outermost places where the level is 26 dB below the "
    "carrier's (the same rule, read as levels)",
    "emission.sidebands_occupied_hz": "99 % of the power of the sidebands alone; null if they "
    "hold next to nothing",
    "emission.sidebands_26_db_hz": "between the outermost places 26 dB below the highest sideband",
    "emission.bandwidth_resolution_hz": "of the spectrum these were read from",
    "emission.reaches_the_end": "which of these reach the end of what was heard: they may be wider",
    "emission.upper_over_lower_db": "power of the upper sideband over the lower, 300 to 3000 Hz",
    "emission.shared_pct": "of the power there, what both sidebands have in common: 100 % for AM",
    "emission.own_beyond_dbc.beyond_F_hz": "mean power beyond F, both sides, that both sidebands "
    "have in common: splatter of this transmission, noise and others left out; null if there is "
    "no more than noise may feign",
    "emission.own_beyond_floor_dbc.beyond_F_hz": "what noise may feign",
    "emission.beyond_lower_dbc.beyond_F_hz": "mean power further below the carrier's frequency, "
    "noise and others included; null where it was not recorded",
    "emission.beyond_upper_dbc.beyond_F_hz": "the same above it",
    "emission.recorded_from_hz": "the recording reaches from here, from the carrier",
    "emission.recorded_to_hz": "to here",
    "emission.masks": "a list, one for each --mask, with these keys:",
    "emission.masks.name": "of the mask",
    "emission.masks.keeps": "true or false; null: nothing could be judged",
    "emission.masks.is_whole": "whether all of it was judged",
    "emission.masks.lower": "worst point of the lower side: margin_db, offset_hz, level_dbc, "
    "limit_dbc, shared_part (near 0: another station, not this one)",
    "emission.masks.upper": "the same of the upper side",
    "emission.masks.notes": "what a person should know, as sentences",
}


@dataclass(frozen=True, kw_only=True)
class JudgedMask:
    """A mask and what it says."""

    mask: Mask
    verdict: MaskVerdict


@dataclass(frozen=True, kw_only=True)
class Emission:
    """The spectra of a recording, and what was read from them."""

    fine: RfSpectrum
    wide: RfSpectrum | None
    waterfall: Waterfall | None
    masks: tuple[JudgedMask, ...]
    carrier_power_w: float | None
    sideband_power: float  # over the carrier's

    @property
    def report(self) -> dict[str, Any]:
        """The group ``emission``."""
        widths = self._widths()
        return {
            **{name: found and found.width_hz for name, found in widths.items()},
            "bandwidth_resolution_hz": self.fine.resolution_hz,
            "reaches_the_end": [
                name for name, found in widths.items() if found and not found.is_whole
            ],
            "upper_over_lower_db": finite(asymmetry_db(self.fine, *VOICE_HZ)),
            "shared_pct": finite(100.0 * shared_part(self.fine, *VOICE_HZ)),
            **self._own_beyond(),
            "beyond_lower_dbc": self._beyond(0),
            "beyond_upper_dbc": self._beyond(1),
            "recorded_from_hz": self.wide and float(self.wide.offset_hz[0]),
            "recorded_to_hz": self.wide and float(self.wide.offset_hz[-1]),
            "masks": [finite(_mask(judged)) for judged in self.masks],
        }

    def _widths(self) -> dict[str, Bandwidth | None]:
        own = self.fine.mirrored()
        return {
            "occupied_hz": bandwidth.occupied(own),
            "power_26_db_hz": bandwidth.power_ratio_26_db(own),
            "level_26_db_hz": bandwidth.below_maximum(own),
            "sidebands_occupied_hz": bandwidth.sidebands_occupied(own),
            "sidebands_26_db_hz": bandwidth.below_sidebands(own),
        }

    def _own_beyond(self) -> dict[str, dict[str, float | None]]:
        """Return the power that both sides share beyond each offset, and what noise may feign."""
        spectrum = self.wide or self.fine
        own: dict[str, float | None] = {}
        floors: dict[str, float | None] = {}
        for hz in BEYOND_HZ:
            power, error = shared_beyond(spectrum, hz)
            key, clear = f"beyond_{hz}_hz", power > FEIGNED * error
            own[key] = to_dbc(power) if clear and error > 0.0 else None
            floors[key] = to_dbc(FEIGNED * error) if error > 0.0 else None
        return {"own_beyond_dbc": own, "own_beyond_floor_dbc": floors}

    def _beyond(self, side: int) -> dict[str, float | None]:
        spectrum = self.wide or self.fine
        ends_hz = -spectrum.offset_hz[0], spectrum.offset_hz[-1]
        return {
            f"beyond_{hz}_hz": power_beyond_dbc(spectrum, hz)[side] if ends_hz[side] > hz else None
            for hz in BEYOND_HZ
        }


def read_emission(
    heard: Listened,
    carrier_height: float,
    masks: tuple[Mask, ...],
    carrier_power_w: float | None,
    sideband_power: float,
) -> Emission:
    """Read the spectra of a recording.

    Parameters
    ----------
    heard : Listened
        The recording.
    carrier_height : float
        Of the unmodulated carrier in it.
    masks : tuple of Mask
        To be judged.
    carrier_power_w : float or None
        Some masks depend on it.
    sideband_power : float
        Of both sidebands over the carrier's.
    """
    assert heard.fine is not None
    if heard.wide is None:
        _check_detector_masks(masks)
    wide = None if heard.wide is None else _clean(heard.wide.read(carrier_height), heard)
    spectrum = wide or heard.fine.read(carrier_height)
    judged = tuple(
        JudgedMask(
            mask=mask,
            verdict=mask_verdict.judge(spectrum, mask, carrier_power_w, sideband_power or None),
        )
        for mask in masks
    )
    return Emission(
        fine=heard.fine.read(carrier_height),
        wide=wide,
        waterfall=None if heard.wide is None else heard.wide.read_waterfall(carrier_height),
        masks=judged,
        carrier_power_w=carrier_power_w,
        sideband_power=sideband_power,
    )


def check_masks(masks: tuple[Mask, ...]) -> None:
    """Refuse masks of a resolution that the spectrum does not have.

    Raises
    ------
    SettingError
        Names the mask.
    """
    for mask in masks:
        asked_hz = mask.measured.resolution_hz
        if asked_hz and abs(asked_hz / RESOLUTION_HZ - 1.0) > 0.05:
            raise SettingError(
                f"mask {mask.name}: resolution_hz is {asked_hz:g}; check measures with "
                f"{RESOLUTION_HZ:g} Hz"
            )


def _check_detector_masks(masks: tuple[Mask, ...]) -> None:
    """Refuse masks that want the spectrum of a radio recording."""
    for mask in masks:
        if mask.measured.resolution_hz:
            raise SettingError(
                f"mask {mask.name} is for the spectrum around a carrier, and a detector recording "
                "holds none; check a recording of IQ or of an intermediate frequency, or leave "
                "--mask out"
            )


def _clean(spectrum: RfSpectrum, heard: Listened) -> RfSpectrum:
    """Leave out the line that a receiver may have in the middle of its IQ recording."""
    if heard.head.kind != IQ or heard.track is None:
        return spectrum
    middle_hz = -heard.track.mean_hz
    reach_hz = RECEIVER_LINE_HZ + 3.0 * spectrum.bin_hz
    if abs(middle_hz) <= 2.0 * reach_hz or not has_line(spectrum, middle_hz, reach_hz):
        return spectrum
    return spectrum.without([(middle_hz - reach_hz, middle_hz + reach_hz)])


def _mask(judged: JudgedMask) -> dict[str, Any]:
    verdict = judged.verdict
    return {
        "name": judged.mask.name,
        "keeps": verdict.passes,
        "is_whole": verdict.is_whole,
        "lower": _point(verdict.lower),
        "upper": _point(verdict.upper),
        "notes": list(verdict.notes),
    }


def _point(point: WorstPoint | None) -> dict[str, Any] | None:
    if point is None:
        return None
    return {
        "margin_db": point.margin_db,
        "offset_hz": point.offset_hz,
        "level_dbc": point.level_dbc,
        "limit_dbc": point.limit_dbc,
        "shared_part": None if math.isnan(point.shared_part) else point.shared_part,
    }
