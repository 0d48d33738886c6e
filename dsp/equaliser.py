"""The equaliser: a filter behind the limiter that makes the response at the antenna flat.

Inside the wanted band it undoes the gain of the rig's paths, as far as the boost allowed reaches;
of several paths it takes the middle, in decibels, of the highest and the lowest gain, which makes
the worst deviation least.  Below and above the band it falls back to nothing.  Its phase is the
minimum phase of that gain, which undoes some of the paths' phase too; the phase that comes from
below and above the band stays.

The limiter's model of every path begins with it, as it begins with the output filter.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.biquad import biquad_kernel, cascade, cascade_state, digital_response
from carrierfloor.dsp.equaliser_fit import FREQUENCY_HZ, fit_sections, minimum_phase
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.output_filter import output_filter
from carrierfloor.dsp.path import REFERENCE_HZ, Path
from carrierfloor.dsp.rig import Equalise, Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

Floats = NDArray[np.float64]

GRID_HZ = np.geomspace(1.0, SAMPLE_RATE_HZ / 2, 2000)
MOST_CUT_DB = 24.0
FALL_BELOW, FALL_ABOVE = 2.0, 1.0  # octaves in which it falls back, below and above the band
OUTSIDE_WEIGHT = 0.3  # of an error outside the band
OUTSIDE_BOOST_DB = 3.0  # what may be left of a boost where it should have fallen back
LESS = 0.9  # of the boost, to try next ...
LEAST_BOOST = 0.5  # ... down to this part of what is allowed
# At rest: what is still to come of the impulse response sums up to less than this.
REST = 3e-3
IMPULSE_SAMPLES = 48_000


class Equaliser(NamedTuple):
    """The filter of a rig, and what it does."""

    sections: Floats  # shape (n, 5): b0, b1, b2, a1, a2 at 48 kHz; gain 1 at 1 kHz
    rest_samples: int  # how long it goes on after its input has ended
    before_db: float  # the worst deviation from flat, in the band, of all paths, without it
    after_db: float  # and with it
    boost_db: float  # its highest gain


NO_EQUALISER = Equaliser(np.zeros((0, 5)), 0, 0.0, 0.0, 0.0)


def sections_behind_limiter(rig: Rig, highest_hz: float) -> Floats:
    """Return all sections of the output stage: the output filter, then the equaliser.

    Parameters
    ----------
    rig : Rig
        The transmitter.
    highest_hz : float
        The highest frequency that the output can carry.

    Raises
    ------
    SettingError
        If the equaliser cannot be made.
    """
    return np.concatenate([output_filter(highest_hz), equaliser_of(rig).sections])


def equaliser_of(rig: Rig) -> Equaliser:
    """Design the equaliser that a rig asks for; without paths there is nothing to equalise.

    Raises
    ------
    SettingError
        If no filter within the rig's settings makes its paths flatter.
    """
    if not rig.equalise.enabled or not rig.paths:
        return NO_EQUALISER
    return _design(rig.equalise, rig.paths)


@lru_cache(maxsize=64)
def _design(wanted: Equalise, paths: tuple[Path, ...]) -> Equaliser:
    """Fit, and fit again for less boost as long as the fit overshoots what is allowed."""
    boost_db = wanted.most_boost_db
    before_db = _deviation_db(wanted, paths, NO_EQUALISER.sections)
    while boost_db > LEAST_BOOST * wanted.most_boost_db:
        aim_db = _gain_db(wanted, paths, boost_db)
        sections = _fitted(wanted, aim_db)
        over_db = _excess_db(wanted, sections)
        after_db = _deviation_db(wanted, paths, sections)
        if over_db <= 0.0 and after_db <= before_db:
            highest_db = float(np.max(_decibels(digital_response(sections, FREQUENCY_HZ))))
            rest = _rest_samples(sections)
            return Equaliser(sections, rest, before_db, after_db, max(highest_db, 0.0))
        boost_db = min(LESS * float(aim_db.max()), boost_db - over_db)
    raise SettingError(
        "equalise: no filter was found that makes the paths flatter "
        f"from {wanted.lowest_hz:g} to {wanted.highest_hz:g} Hz with {wanted.most_boost_db:g} dB "
        "of boost and little outside; narrow the band, or set enabled = false"
    )


def _gain_db(wanted: Equalise, paths: tuple[Path, ...], boost_db: float) -> Floats:
    """Return the gain to aim for at ``GRID_HZ``."""
    each = np.array([_decibels(path.response(GRID_HZ)) for path in paths])
    inverse = -0.5 * (each.max(axis=0) + each.min(axis=0))
    bounded = np.clip(inverse, -MOST_CUT_DB, boost_db)
    low, high = np.log2(wanted.lowest_hz), np.log2(wanted.highest_hz)
    octave = np.log2(GRID_HZ)
    at_edge = np.interp(np.clip(octave, low, high), octave, bounded)
    out = np.maximum((low - octave) / FALL_BELOW, (octave - high) / FALL_ABOVE)  # of the band
    left = 0.5 + 0.5 * np.cos(np.pi * np.clip(out, 0.0, 1.0))
    most = np.where(out > 0.0, np.maximum(at_edge, 0.0), boost_db)
    return np.asarray(np.clip(bounded, -MOST_CUT_DB * left, most * left))


def _fitted(wanted: Equalise, gain_db: Floats) -> Floats:
    gain_db = gain_db - np.interp(REFERENCE_HZ, GRID_HZ, gain_db)
    aim = minimum_phase(np.interp(FREQUENCY_HZ, GRID_HZ, gain_db))
    low, high = wanted.lowest_hz, wanted.highest_hz
    below = np.geomspace(low / 8.0, low, 40, endpoint=False)
    inside = np.geomspace(low, high, 160)
    above = np.geomspace(high, 0.98 * SAMPLE_RATE_HZ / 2, 40)[1:]
    at_hz = np.concatenate([below, inside, above])
    weight = np.full(len(at_hz), OUTSIDE_WEIGHT)
    weight[len(below) : len(below) + len(inside)] = 1.0
    return fit_sections(at_hz, np.interp(at_hz, FREQUENCY_HZ, aim), weight).rows


def _excess_db(wanted: Equalise, sections: Floats) -> float:
    """Return by how much the highest gain is over what is allowed, in the band or outside."""
    gain_db = _decibels(digital_response(sections, FREQUENCY_HZ))
    edges_hz = [wanted.lowest_hz * 2.0**-FALL_BELOW, wanted.highest_hz * 2.0**FALL_ABOVE]
    below, above = np.searchsorted(FREQUENCY_HZ, edges_hz)
    fallen_db = np.concatenate([gain_db[:below], gain_db[above:]])
    over_db = float(gain_db.max()) - wanted.most_boost_db
    return max(over_db, float(fallen_db.max()) - OUTSIDE_BOOST_DB)


def _deviation_db(wanted: Equalise, paths: tuple[Path, ...], sections: Floats) -> float:
    """Return the worst deviation of any path from its gain at 1 kHz."""
    band_hz = np.geomspace(wanted.lowest_hz, wanted.highest_hz, len(GRID_HZ))
    own = digital_response(sections, band_hz)
    return max(float(np.abs(_decibels(path.response(band_hz) * own)).max()) for path in paths)


def _rest_samples(sections: Floats) -> int:
    if not len(sections):
        return 0
    impulse = np.zeros(IMPULSE_SAMPLES)
    impulse[0] = 1.0
    biquad_kernel(cascade(sections), cascade_state(len(sections)), impulse)
    to_come = np.cumsum(np.abs(impulse[::-1]))[::-1]
    return int(np.count_nonzero(to_come >= REST))


def _decibels(response: NDArray[np.complex128]) -> Floats:
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(response), 1e-30)))
