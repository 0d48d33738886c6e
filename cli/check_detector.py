"""What ``check`` says of a detector: what was found, taken out, and what it hides."""

from collections.abc import Iterator
from typing import Any

from carrierfloor.cli.detector_source import DetectorSource
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

# A number that does not exist is null.
KEYS = {
    "detector.knee_pct": "k of the diode, sqrt(e^2 + k^2) - k, in % of the carrier, that was taken "
    "out; null: not known, nothing was taken out (all keys are null for other kinds)",
    "detector.knee_error_pct": "its error (95 %)",
    "detector.rc_ms": "time constant of its capacitor and resistor; null: not known",
    "detector.coupling_hz": "corner of the AC coupling that was taken out; null: not known, or DC",
    "detector.carrier_level": "height of the unmodulated carrier over zero in the recording, with "
    "sign; 1.0 = full scale",
    "detector.carrier_error_pct": "its error (95 %)",
    "detector.carrier_from": "known audio, known audio at the rig's level, given, DC, or flat "
    "troughs",
    "detector.sees_down_to_pct": "the lowest envelope that is believed, in % of the carrier; what "
    "lies below may be a cut-off",
    "detector.hidden_troughs": "how often the capacitor hid the envelope",
    "detector.hidden_ms": "for how long in all",
    "detector.hidden_lowest_pct": "lowest envelope that such a place may hold, if it falls "
    "and rises there no more than twice as steeply as at the ends; null without any",
    "detector.hidden_highest_pct": "what the capacitor held in the deepest of them; null without",
    "detector.explained_pct": "part of the recorded known audio that the detector explains",
    "detector.depth_may_be_pct": "the deepest trough may be as deep as this",
    "detector.may_be_safe": "false if a deeper trough may be hidden than the rig allows",
}


def detector_report(source: DetectorSource, negative_peak: float, limit: float) -> dict[str, Any]:
    """Return the group ``detector`` of the report."""
    sight, inverse = source.sight, source.inverse
    hides = inverse is not None and inverse.hidden_troughs > 0
    return {
        "knee_pct": 100.0 * sight.model.knee if sight.knows_knee else None,
        "knee_error_pct": 100.0 * sight.knee_error if sight.knows_knee else None,
        "rc_ms": 1000.0 * sight.model.rc_s if sight.knows_rc else None,
        "coupling_hz": sight.model.coupling_hz if source.fit is not None else None,
        "carrier_level": sight.model.carrier,
        "carrier_error_pct": 100.0 * sight.carrier_error,
        "carrier_from": source.carrier_from,
        "sees_down_to_pct": 100.0 * sight.lowest,
        "hidden_troughs": inverse.hidden_troughs if inverse is not None else 0,
        "hidden_ms": 1000.0 * inverse.hidden_samples / SAMPLE_RATE_HZ if inverse else 0.0,
        "hidden_lowest_pct": 100.0 * inverse.hidden_bottom if inverse and hides else None,
        "hidden_highest_pct": 100.0 * max(0.0, inverse.deepest_hidden_top)
        if inverse and hides
        else None,
        "explained_pct": 100.0 * source.fit.explained if source.fit is not None else None,
        "depth_may_be_pct": 100.0 * source.depth_bound(negative_peak),
        "may_be_safe": source.may_be_safe(negative_peak, limit),
    }


def detector_notes(source: DetectorSource, negative_peak: float, limit: float) -> list[str]:
    """Return what a person should know, as sentences."""
    return [*_what_is_known(source), *_warnings(source, negative_peak, limit)]


def _what_is_known(source: DetectorSource) -> Iterator[str]:
    model = source.sight.model
    if source.fit is not None:
        rc_ms = 1000.0 * model.rc_s
        seen = f"time constant {rc_ms:.2f} ms" if rc_ms else "no time constant to be seen"
        yield (
            f"The detector, from the known audio: knee {100.0 * model.knee:.1f} % of the "
            f"carrier, {seen}; for later recordings of it at this level: --carrier-level "
            f"{model.carrier:.4g} --knee {100.0 * model.knee:.1f} --rc {rc_ms:.2f}. A "
            "modulator that rounds its troughs looks the same as a knee."
        )
        if not source.fit.has_cutoff and not source.fit.has_dc:
            yield (
                "The carrier's height comes from the rig's full_modulation_dbfs, which this "
                "recording therefore cannot check: if that is 1 dB wrong, so are peaks by 12 %."
            )
    elif not source.sight.knows_knee:
        yield (
            "The detector's knee is not known, and nothing was taken out: troughs are not as "
            "deep or as shallow as they look. Give --known with a sound that is in the "
            "recording, or --knee."
        )
    if source.height is not None and source.height.by == "flat troughs":
        yield (
            f"The carrier's height comes from {source.height.flat_troughs} flat troughs, taken "
            "for cut-offs; if a clipper or a keep-alive diode made them flat, modulation is "
            "less than this says."
        )


def _warnings(source: DetectorSource, negative_peak: float, limit: float) -> Iterator[str]:
    lowest, sight = 1.0 - negative_peak, source.sight
    if lowest < sight.lowest:
        yield (
            f"The deepest trough lies below {100.0 * sight.lowest:.1f} % of the carrier, where "
            "this detector does not see: the carrier may be cut off there."
        )
    inverse = source.inverse
    if inverse is not None and inverse.hidden_troughs and 1.0 - inverse.hidden_bottom > limit:
        yield (
            f"The capacitor hid the bottom of {inverse.hidden_troughs} troughs; the envelope "
            f"may reach {100.0 * inverse.hidden_bottom:.1f} % of the carrier there. A smaller "
            "time constant shows them."
        )
