"""Whether a transmission keeps within an emission mask: its worst points, and what is not known.

A recording can only be judged where it was recorded, and where its own noise lies under the
limit.  Both are said; neither counts as kept.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mask import Mask
from carrierfloor.dsp.mask_coverage import Stretch, coverage, coverage_notes
from carrierfloor.dsp.rf_spectrum import RfSpectrum, levels_dbc
from carrierfloor.dsp.sidebands import shared_part
from carrierfloor.dsp.spectral_window import NOISE_BINS
from carrierfloor.dsp.stage import Block

RESOLUTION_WITHIN = 0.1  # of what the mask asks for
ONE_SIDED = 0.1  # of the power at a point, what the other side mirrors: it is no modulation
AROUND_BINS = 3  # to either side of the worst point, where its mirror image is looked for
NOISE_MEAN = 2.0  # times the mean noise a bin of nothing but noise may read on average
NOISE_SPREAD = 3.0  # see _noise_limit

Flags = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class WorstPoint:
    """Where one side comes nearest to the limit, or exceeds it most."""

    margin_db: float  # limit over level; negative: exceeded
    offset_hz: float  # from the carrier, with its sign
    level_dbc: float
    limit_dbc: float
    shared_part: float  # of the power there that the other side mirrors; near 0: not modulation


@dataclass(frozen=True, kw_only=True)
class MaskVerdict:
    """Whether the mask is kept as far as can be told."""

    lower: WorstPoint | None  # None: nothing of that side could be judged
    upper: WorstPoint | None
    stretches: tuple[Stretch, ...]
    held_s: float  # how long was listened
    notes: tuple[str, ...]  # what a reader must know, as sentences

    @property
    def passes(self) -> bool | None:
        """Whether no limit is exceeded where that can be seen; ``None``: nowhere."""
        margins = [side.margin_db for side in (self.lower, self.upper) if side]
        return min(margins) >= 0.0 if margins else None

    @property
    def is_whole(self) -> bool:
        """Whether every limit that has an end was judged on both sides, all of it."""
        return all(stretch.is_whole for stretch in self.stretches)


def limit_dbc(
    spectrum: RfSpectrum,
    mask: Mask,
    carrier_power_w: float | None = None,
    sideband_power: float | None = None,
) -> Block:
    """Return the limit in each bin as a level of this spectrum, NaN where there is none.

    For the parameters and refusals see :func:`judge`.
    """
    below_db = mask.limit_db(spectrum.offset_hz, carrier_power_w)
    width_hz = mask.measured.necessary_bandwidth_hz
    if width_hz is None:
        return -below_db
    if not sideband_power:
        raise SettingError(f"mask {mask.name} refers to the sidebands, and there are none")
    reference = sideband_power * spectrum.noise_bandwidth_hz / width_hz
    return 10.0 * math.log10(reference) - below_db


def judge(
    spectrum: RfSpectrum,
    mask: Mask,
    carrier_power_w: float | None = None,
    sideband_power: float | None = None,
) -> MaskVerdict:
    """Compare a spectrum with a mask.

    Parameters
    ----------
    spectrum : RfSpectrum
        Of the resolution that the mask asks for, to 10 %.
    mask : Mask
        What it must keep.
    carrier_power_w : float, optional
        Some limits depend on it.
    sideband_power : float, optional
        Of both sidebands over the unmodulated carrier's, which is the mean square of m; for a mask
        that refers to the sidebands.

    Raises
    ------
    SettingError
        If the resolution is another, or the mask refers to the sidebands and there are none.
    """
    asked_hz = mask.measured.resolution_hz
    if asked_hz and abs(spectrum.resolution_hz / asked_hz - 1.0) > RESOLUTION_WITHIN:
        raise SettingError(
            f"the spectrum's resolution is {spectrum.resolution_hz:.3g} Hz; mask {mask.name} asks "
            f"for {asked_hz:g} Hz"
        )
    limit = limit_dbc(spectrum, mask, carrier_power_w, sideband_power)
    hidden = _hidden(spectrum, limit, mask.measured.hold)
    judged = spectrum.usable & np.isfinite(limit) & ~hidden
    level, offset_hz = _refined(spectrum, mask.measured.hold)
    stretches = coverage(spectrum, mask, hidden, carrier_power_w)
    worst = [
        _worst(spectrum, judged & (side * spectrum.offset_hz > 0.0), level, limit, offset_hz)
        for side in (-1.0, 1.0)
    ]
    return MaskVerdict(
        lower=worst[0],
        upper=worst[1],
        stretches=stretches,
        held_s=spectrum.duration_s,
        notes=(
            *_one_sided_notes(worst),
            *coverage_notes(mask, stretches, spectrum.duration_s),
        ),
    )


def _one_sided_notes(worst: list[WorstPoint | None]) -> list[str]:
    """Say of what exceeds the limit that it is no modulation, where the other side has none."""
    return [
        f"at {point.offset_hz / 1000.0:+.1f} kHz one side alone exceeds it: modulation is alike on "
        "both, so this is another station, a spurious emission or the receiver"
        for point in worst
        if point is not None and point.margin_db < 0.0 and point.shared_part < ONE_SIDED
    ]


def _hidden(spectrum: RfSpectrum, limit: Block, hold: str) -> Flags:
    """Tell where the limit is exceeded, but may not be without the recording's noise.

    At the worst the amplitudes of emission and noise add up in one segment; in the mean it is their
    powers.
    """
    noise = spectrum.noise_density() * spectrum.bin_hz
    if hold == "peak":
        power, level = spectrum.peak_power, spectrum.peak_dbc
        amplitude = np.sqrt(power) - math.sqrt(noise * _noise_limit(spectrum))
        least = np.square(np.maximum(0.0, amplitude))
    else:
        power, level = spectrum.mean_power, spectrum.mean_dbc
        least = np.maximum(0.0, power - NOISE_MEAN * noise)
    with np.errstate(invalid="ignore"):
        return np.asarray((level > limit) & (levels_dbc(NOISE_BINS * least) <= limit))


def _noise_limit(spectrum: RfSpectrum) -> float:
    """Return how many times its mean the power of noise may reach in any bin of any segment.

    The power of a line of noise is exponentially distributed: among N of them the highest is about
    ln N times the mean, and above ln N + 3 in one case of twenty.
    """
    return math.log(max(1, spectrum.segments * len(spectrum.offset_hz))) + NOISE_SPREAD


def _refined(spectrum: RfSpectrum, hold: str) -> tuple[Block, Block]:
    """Return the level in each bin and its offset; that of a line between two bins by a parabola.

    A line half way between two bins would read 0.83 dB low (F. J. Harris 1978, scallop loss); for
    the parabola see J. O. Smith, "Spectral Audio Signal Processing".
    """
    level = spectrum.peak_dbc if hold == "peak" else spectrum.mean_dbc
    offset_hz = spectrum.offset_hz.copy()
    a, b, c = level[:-2], level[1:-1], level[2:]
    bend = a - 2.0 * b + c
    top = (b >= a) & (b >= c) & (bend < 0.0)
    shift = np.where(top, 0.5 * (a - c) / np.where(top, bend, -1.0), 0.0)
    refined = level.copy()
    refined[1:-1] += np.where(top, -0.25 * (a - c) * shift, 0.0)
    offset_hz[1:-1] += shift * spectrum.bin_hz
    return refined, offset_hz


def _worst(
    spectrum: RfSpectrum, judged: Flags, level: Block, limit: Block, offset_hz: Block
) -> WorstPoint | None:
    if not judged.any():
        return None
    at = int(np.argmin(np.where(judged, limit - level, np.inf)))
    around = AROUND_BINS * spectrum.bin_hz
    away_hz = abs(float(spectrum.offset_hz[at]))
    return WorstPoint(
        margin_db=float(limit[at] - level[at]),
        offset_hz=float(offset_hz[at]),
        level_dbc=float(level[at]),
        limit_dbc=float(limit[at]),
        shared_part=shared_part(spectrum, away_hz - around, away_hz + around),
    )
