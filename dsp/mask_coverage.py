"""How much of an emission mask a recording lets one judge."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.mask import Mask
from carrierfloor.dsp.mask_segment import Segment
from carrierfloor.dsp.rf_spectrum import RfSpectrum

Flags = NDArray[np.bool_]
SIDES = ("lower", "upper")


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """How much of one segment of the mask was judged on one side."""

    side: str  # lower, upper
    from_hz: float
    to_hz: float  # infinite if it has no end
    recorded_to_hz: float  # what of it the recording holds; from_hz: nothing
    hidden_hz: float  # of that: width where it is exceeded, but might not be without noise
    limit_known: bool  # false: it depends on a power that was not given

    @property
    def is_whole(self) -> bool:
        """Whether all of it was judged; of one without end, some of it."""
        reached = self.recorded_to_hz >= self.to_hz or math.isinf(self.to_hz)
        recorded = reached and self.recorded_to_hz > self.from_hz
        return self.limit_known and recorded and not self.hidden_hz


def coverage(
    spectrum: RfSpectrum, mask: Mask, hidden: Flags, carrier_power_w: float | None
) -> tuple[Stretch, ...]:
    """Return how much of each segment can be judged on each side.

    Parameters
    ----------
    spectrum : RfSpectrum
        What was recorded.
    mask : Mask
        What it must keep.
    hidden : ndarray, shape (n,)
        Bins in which noise may be what exceeds the limit.
    carrier_power_w : float or None
        Some limits depend on it.
    """
    return tuple(
        _stretch(spectrum, segment, side, hidden, carrier_power_w)
        for segment in mask.segments
        for side in SIDES
    )


def coverage_notes(mask: Mask, stretches: tuple[Stretch, ...], held_s: float) -> tuple[str, ...]:
    """Return what a reader of the verdict must know, as sentences."""
    notes = []
    if mask.measured.status == "from memory":
        notes.append("its numbers are from memory: look them up")
    if held_s < mask.measured.hold_s:
        notes.append(
            f"the rule wants {mask.measured.hold_s:g} s of peak hold; this is {held_s:.0f} s"
        )
    missing = [s for s in stretches if s.recorded_to_hz < s.to_hz and not math.isinf(s.to_hz)]
    missing += [s for s in stretches if math.isinf(s.to_hz) and s.recorded_to_hz <= s.from_hz]
    unseen = {
        side: min((s.recorded_to_hz for s in missing if s.side == side), default=0.0)
        for side in SIDES
    }
    if missing:
        ends = [f"{hz / 1000.0:.3g} kHz on the {side} side" for side, hz in unseen.items() if hz]
        notes.append(
            f"nothing beyond {' and '.join(ends)} can be judged: the recording does not hold it"
        )
    for segment in mask.segments:
        hidden = [
            f"{s.hidden_hz / 1000.0:.2g} kHz on the {s.side} side"
            for s in stretches
            if s.from_hz == segment.from_hz and s.hidden_hz
        ]
        if hidden:
            end = "on" if math.isinf(segment.end_hz) else f"to {segment.end_hz / 1000.0:g} kHz"
            notes.append(
                f"from {segment.from_hz / 1000.0:g} kHz {end} the limit is hidden by the "
                f"recording's noise: {' and '.join(hidden)}"
            )
    if not all(stretch.limit_known for stretch in stretches):
        notes.append("a limit depends on the carrier's power, which was not given")
    return tuple(notes)


def _stretch(
    spectrum: RfSpectrum, segment: Segment, side: str, hidden: Flags, power_w: float | None
) -> Stretch:
    away_hz = spectrum.offset_hz if side == "upper" else -spectrum.offset_hz
    end_hz = float(away_hz.max())
    within = (away_hz >= segment.from_hz) & (away_hz <= segment.end_hz)
    return Stretch(
        side=side,
        from_hz=segment.from_hz,
        to_hz=segment.end_hz,
        recorded_to_hz=min(segment.end_hz, max(segment.from_hz, end_hz)),
        hidden_hz=float(np.count_nonzero(hidden & within)) * spectrum.bin_hz,
        limit_known=segment.power_db is None or power_w is not None,
    )
