"""What a recorded signal is, if it is no amplitude modulation with a carrier.

Amplitude modulation moves the envelope along the carrier and leaves the phase alone.  One sideband
by itself, or a station beside the carrier, moves both alike; frequency and phase modulation move
the phase and leave the magnitude alone.
"""

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.carrier_reference import CarrierReference
from carrierfloor.dsp.carrier_rows import ROW_S, Rows
from carrierfloor.dsp.unmodulated_rows import runs

SHORTEST_S = 0.5  # of a carrier
STEADY_MAGNITUDE = 0.03  # variance of the magnitude over the power: nothing modulates it
# Rms across the carrier, carrier = 1: less says nothing; if nothing modulates the carrier besides,
# it may be the flutter of the receiver's oscillator.
LEAST_MOVED, LEAST_MOVED_ALONE = 0.01, 0.05
ACROSS_PART = 0.5  # of the power along: more is no amplitude modulation
PHASE_PART = 1.1  # of it: not one sideband either, but the phase
STRONG_PART, FEWEST_ROWS = 0.1, 25  # of the highest power, rows that hold a signal
MOST_NOISE = 0.12  # rms along the carrier, carrier = 1: more hides any modulation
MUCH_ACROSS = 2.0  # times what is along the carrier, noise included: noise is in both alike
FM_WITH_CARRIER = (
    "there is a carrier, but its magnitude stays the same while its phase moves: that is frequency "
    "or phase modulation, not AM"
)
KEYED_PART = 0.25  # of the time heard with a carrier that never lasts
GONE_PART = 0.02  # of its usual power: less is no carrier; a tone of 16 Hz and 95 % leaves more


def other_than_am(rows: Rows, reference: CarrierReference, was_found: bool) -> str | None:
    """Return in words what a recording holds instead of amplitude modulation, or ``None``.

    Parameters
    ----------
    rows : Rows
        Of the demodulated signal.
    reference : CarrierReference
        Of these rows.
    was_found : bool
        Whether there was a line in the spectrum that could be a carrier.
    """
    known_s = float(np.count_nonzero(reference.known)) * ROW_S
    heard = rows.power > 0.0
    if min(known_s, _lasting_s(rows)) < SHORTEST_S:
        if not was_found or not heard.any():
            return (
                "no carrier stands out in it: it holds noise, or a mode without a carrier such as "
                "single sideband or wide FM"
            )
        locked_s = float(np.count_nonzero(rows.locked)) * ROW_S
        if locked_s > KEYED_PART * float(np.count_nonzero(heard)) * ROW_S:
            return f"a carrier comes and goes, never for {SHORTEST_S:g} s: keying"
        strong = heard & ~rows.locked & (rows.power > STRONG_PART * float(rows.power.max()))
        if np.count_nonzero(strong) > FEWEST_ROWS and _has_steady_magnitude(rows, strong):
            return (
                "the magnitude stays the same while the frequency moves: that is frequency or "
                "phase modulation, not AM"
            )
        return (
            f"lines come and go, and none is a carrier for {SHORTEST_S:g} s ({locked_s:.1f} s of "
            "one in all): single sideband, or speech without a carrier"
        )
    noise = _noise(reference)
    if noise > MOST_NOISE:
        known = reference.known
        is_across = rows.across[known].mean() > MUCH_ACROSS * rows.along[known].mean()
        if is_across and _has_steady_magnitude(rows, known):
            return FM_WITH_CARRIER
        return (
            f"noise, or another station or sideband on one side of the carrier, is "
            f"{100.0 * noise:.0f} % of it; {100.0 * MOST_NOISE:g} % hide all that could be "
            "measured: record nearer to the transmitter, or leave the station out with --width HZ"
        )
    along, across = _powers(rows, reference)
    least = LEAST_MOVED if reference.modulated.any() else LEAST_MOVED_ALONE
    if across > max(least**2, ACROSS_PART * along):
        if across > PHASE_PART * along and _has_steady_magnitude(rows, reference.known):
            return FM_WITH_CARRIER
        return (
            "there is a carrier, but what lies on its two sides is not alike, as it is in AM "
            f"({100.0 * across / (across + along):.0f} % of it moves the phase): one sideband "
            "only, frequency modulation, or another station nearby, which --width HZ may leave out"
        )
    return None


def part_across(rows: Rows, reference: CarrierReference) -> float:
    """Return the power that moves the carrier's phase over that which modulates it, 0 to 1."""
    along, across = _powers(rows, reference)
    return across / along if across > LEAST_MOVED**2 and along > 0.0 else 0.0


def lost_crest(rows: Rows, reference: CarrierReference, positive_peak: float) -> float:
    """Return how much too low a crest reads along a carrier whose phase moves with it.

    A phase of k m leaves (1 + m) cos(k m), about (1 + m) (1 - k^2 m^2 / 2), and k^2 is the power
    across over that along, in the usual row of loud ones and over what is there in pauses.

    Parameters
    ----------
    rows : Rows
        Of the demodulated signal.
    reference : CarrierReference
        Of these rows.
    positive_peak : float
        Of m.
    """
    if not reference.modulated.any():
        return 0.0
    squares = np.square(np.where(reference.known, reference.height, 1.0))
    along, across, noise = rows.along / squares, rows.across / squares, reference.noise / squares
    loud = reference.modulated & (along >= np.median(along[reference.modulated]))
    bare = reference.unmodulated
    rest = float(across[bare].mean()) if bare.any() else float(noise[loud].mean())
    part = float(np.median((across[loud] - rest) / along[loud]))
    return 0.5 * (1.0 + positive_peak) * max(0.0, part) * positive_peak**2


def _lasting_s(rows: Rows) -> float:
    """Return for how long a carrier lasts at most without a row of 20 ms that lacks it.

    Low tones take it off for some milliseconds of a row, Morse for 20 and more.
    """
    if not rows.locked.any():
        return 0.0
    usual = float(np.median(rows.power[rows.locked]))
    lasting = runs(rows.locked & (rows.power > GONE_PART * usual))
    return max((run.stop - run.start for run in lasting), default=0) * ROW_S


def _noise(reference: CarrierReference) -> float:
    """Return the rms of the noise along the carrier, over it."""
    known = reference.known
    return float(np.sqrt(np.mean(reference.noise[known] / np.square(reference.height[known]))))


def _powers(rows: Rows, reference: CarrierReference) -> tuple[float, float]:
    """Return the power along and across, carrier = 1 and without noise, while modulated.

    Of all the time if nothing modulates it.
    """
    chosen = reference.modulated if reference.modulated.any() else reference.known
    squares = np.square(reference.height[chosen])
    noise = reference.noise[chosen]
    along = float(np.mean((rows.along[chosen] - noise) / squares))
    across = float(np.mean((rows.across[chosen] - noise) / squares))
    return max(along, 0.0), max(across, 0.0)


def _has_steady_magnitude(rows: Rows, chosen: NDArray[np.bool_]) -> bool:
    power = float(rows.power[chosen].mean())
    return power - float(np.square(rows.magnitude[chosen]).mean()) < STEADY_MAGNITUDE * power
