"""What a trapezoid and its reference show, in sentences."""

from collections.abc import Iterator

from carrierfloor.dsp.stage import SAMPLE_RATE_HZ
from carrierfloor.dsp.time_map import TimeMap
from carrierfloor.dsp.trapezoid import (
    COMPRESSED,
    CUT_OFF,
    HELD_UP,
    ROUNDED,
    STEEPER,
    STRETCHED,
    Trapezoid,
)

CLOCK_JUMPS = 1.0  # samples
MOST_FOUND = 0.7  # of the pieces: noise hides the faint ones
MOST_PPM = 400.0


def reference_notes(found: TimeMap, *, has_rig: bool) -> Iterator[str]:
    """Say how the reference was found in the recording, where that is unusual."""
    if found.sign < 0.0:
        yield (
            "The reference is heard upside down: turn the rig's polarity in [level]."
            if has_rig
            else "The reference is heard upside down: a positive sample takes the carrier down."
        )
    if found.found < MOST_FOUND or found.error_samples > CLOCK_JUMPS:
        yield (
            f"The reference is heard in {100.0 * found.found:.0f} % of the recording's louder "
            f"places, {1000.0 * found.error_samples / SAMPLE_RATE_HZ:.3f} ms beside one clock: "
            "samples are missing somewhere, or something else is heard; that smears the "
            "trapezoid."
        )
    if abs(found.clock_ppm) > MOST_PPM:
        yield (
            f"Played and recorded on clocks {found.clock_ppm:+.0f} ppm apart: more than sound "
            "cards are; is the sample rate of either file wrong?"
        )


def end_notes(pattern: Trapezoid) -> Iterator[str]:
    """Say what the ends of the sides look like."""
    upper, lower = (100.0 * d for d in (pattern.upper_deviation, pattern.lower_deviation))
    words = {
        COMPRESSED: f"Crests are compressed: the trapezoid's upper end lies {-upper:.1f} % of the "
        "carrier below the straight line (modulator, its supply, or drive of the final).",
        STRETCHED: f"Crests are stretched: the upper end lies {upper:.1f} % above the straight "
        "line.",
        ROUNDED: f"Troughs are rounded: the trapezoid's lower end lies {lower:.1f} % of the "
        "carrier above the straight line.",
        STEEPER: f"Troughs are steeper than the straight line by {-lower:.1f} % of the carrier.",
        CUT_OFF: "The trapezoid has a tail: the audio asks for less than nothing, and the carrier "
        "is cut off there.",
        HELD_UP: "The trapezoid's point is cut off square: something holds the carrier up in the "
        "troughs.",
    }
    for end in (pattern.upper, pattern.lower):
        if end in words:
            yield words[end]
