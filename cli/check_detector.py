"""A detector recording for ``check``: what the detector hides is found, taken out and admitted."""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from carrierfloor.cli.check_reference import ReferenceFolder
from carrierfloor.cli.recording_in import DETECTOR, RecordingIn
from carrierfloor.dsp.carrier_phase import Demodulated
from carrierfloor.dsp.detector_fit import LEAST_ERROR, DetectorFit, fit_detector
from carrierfloor.dsp.detector_height import FoundHeight, extremes, find_height
from carrierfloor.dsp.detector_inverse import DetectorInverse, DetectorModel
from carrierfloor.dsp.detector_sight import DetectorSight
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.resampler import Resampler, highest_passed_hz
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ
from carrierfloor.dsp.stored_signal import StoredArray

BLOCK = 48_000
GIVEN_ERROR = 0.01  # of a height or a knee that was given: as exact as it was written down
LEAST_NOISE = 1e-5  # of the carrier: rounding of the recording

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


@dataclass(frozen=True, kw_only=True)
class DetectorOptions:
    """What is known of a detector recording.

    Parameters
    ----------
    recording : Path
        The file.
    raw_format, rate_hz, channel
        As for ``RecordingIn``.
    known : Path, optional
        What the sound card played, somewhere in the recording.
    rig : Rig
        Its level and path, for the known sound.
    path : str, optional
        Which path.
    carrier_level, knee_pct, rc_ms : float, optional
        Given by the user, from an earlier recording of the same detector at the same level.
    inverted : bool
        More carrier is a lower voltage.
    """

    recording: Path
    raw_format: str | None = None
    rate_hz: float | None = None
    channel: str = "mix"
    known: Path | None = None
    rig: Rig | None = None
    path: str | None = None
    carrier_level: float | None = None
    knee_pct: float | None = None
    rc_ms: float | None = None
    inverted: bool = False


class DetectorSource:
    """A detector recording as a demodulated signal; use it in a ``with`` statement.

    Attributes
    ----------
    sight : DetectorSight
        The detector and how well it is known.
    half_width_hz : float
        Highest modulating frequency in it.

    Raises
    ------
    CarrierfloorError
        If the recording cannot be read, or nothing tells the carrier's height.
    """

    sample_rate_hz = float(SAMPLE_RATE_HZ)

    def __init__(self, options: DetectorOptions) -> None:
        self._options = options
        self._folder = tempfile.TemporaryDirectory(prefix="carrierfloor-")
        self._inverse: DetectorInverse | None = None
        try:
            self._recorded = self._keep()
            self.fit = self._fit()
            self.height = self._height()
            self.sight = self._sight()
        except BaseException:
            self._folder.cleanup()
            raise

    def __enter__(self) -> "DetectorSource":
        return self

    def __exit__(self, *_: object) -> None:
        self._folder.cleanup()

    def blocks(self) -> Iterator[Demodulated]:
        """Yield the envelope, 1.0 = unmodulated carrier, as the part along the carrier."""
        inverse = self._inverse = DetectorInverse(self.sight.model)
        for first in range(0, self._recorded.samples, BLOCK):
            count = min(BLOCK, self._recorded.samples - first)
            yield _demodulated(inverse.process(self._recorded.take(first, count))[0])
        yield _demodulated(inverse.finish()[0])

    def depth_bound(self, negative_peak: float) -> float:
        """Return how deep the deepest trough may be, 1.0 = cut-off.

        Parameters
        ----------
        negative_peak : float
            As it was measured in what :meth:`blocks` yielded; ask after that.
        """
        lowest = 1.0 - negative_peak
        deepest = 1.0 if lowest < self.sight.lowest else 1.0 - self.sight.bounds(lowest)[0]
        hidden = self._inverse.hidden_bottom if self._inverse is not None else 1.0
        return float(max(negative_peak, deepest, 1.0 - hidden))

    def may_be_safe(self, negative_peak: float, limit: float) -> bool:
        """Tell whether no trough deeper than ``limit`` can be hidden."""
        return bool(self.sight.knows_knee and self.depth_bound(negative_peak) <= limit)

    def report(self, negative_peak: float, limit: float) -> dict[str, Any]:
        """Return the group ``detector`` of the report."""
        sight, inverse = self.sight, self._inverse
        hides = inverse is not None and inverse.hidden_troughs > 0
        return {
            "knee_pct": 100.0 * sight.model.knee if sight.knows_knee else None,
            "knee_error_pct": 100.0 * sight.knee_error if sight.knows_knee else None,
            "rc_ms": 1000.0 * sight.model.rc_s if sight.knows_rc else None,
            "coupling_hz": sight.model.coupling_hz if self.fit is not None else None,
            "carrier_level": sight.model.carrier,
            "carrier_error_pct": 100.0 * sight.carrier_error,
            "carrier_from": self._carrier_from(),
            "sees_down_to_pct": 100.0 * sight.lowest,
            "hidden_troughs": inverse.hidden_troughs if inverse is not None else 0,
            "hidden_ms": 1000.0 * inverse.hidden_samples / SAMPLE_RATE_HZ if inverse else 0.0,
            "hidden_lowest_pct": 100.0 * inverse.hidden_bottom if inverse and hides else None,
            "hidden_highest_pct": 100.0 * max(0.0, inverse.deepest_hidden_top)
            if inverse and hides
            else None,
            "explained_pct": 100.0 * self.fit.explained if self.fit is not None else None,
            "depth_may_be_pct": 100.0 * self.depth_bound(negative_peak),
            "may_be_safe": self.may_be_safe(negative_peak, limit),
        }

    def notes(self, negative_peak: float, limit: float) -> list[str]:
        """Return what a person should know, as sentences."""
        return [*self._what_is_known(), *self._warnings(negative_peak, limit)]

    def _carrier_from(self) -> str:
        if self._options.carrier_level is not None:
            return "given"
        if self.fit is not None:
            if self.fit.has_dc:
                return "DC"
            return "known audio" if self.fit.has_cutoff else "known audio at the rig's level"
        assert self.height is not None
        return self.height.by

    def _what_is_known(self) -> Iterator[str]:
        model = self.sight.model
        if self.fit is not None:
            rc_ms = 1000.0 * model.rc_s
            seen = f"time constant {rc_ms:.2f} ms" if rc_ms else "no time constant to be seen"
            yield (
                f"The detector, from the known audio: knee {100.0 * model.knee:.1f} % of the "
                f"carrier, {seen}; for later recordings of it at this level: --carrier-level "
                f"{model.carrier:.4g} --knee {100.0 * model.knee:.1f} --rc {rc_ms:.2f}. A "
                "modulator that rounds its troughs looks the same as a knee."
            )
            if not self.fit.has_cutoff and not self.fit.has_dc:
                yield (
                    "The carrier's height comes from the rig's full_modulation_dbfs, which this "
                    "recording therefore cannot check."
                )
        elif not self.sight.knows_knee:
            yield (
                "The detector's knee is not known, and nothing was taken out: troughs are not as "
                "deep or as shallow as they look. Give --known with a sound that is in the "
                "recording, or --knee."
            )
        if self.height is not None and self.height.by == "flat troughs":
            yield (
                f"The carrier's height comes from {self.height.flat_troughs} flat troughs, taken "
                "for cut-offs; if a clipper or a keep-alive diode made them flat, modulation is "
                "less than this says."
            )

    def _warnings(self, negative_peak: float, limit: float) -> Iterator[str]:
        lowest, sight = 1.0 - negative_peak, self.sight
        if lowest < sight.lowest:
            yield (
                f"The deepest trough lies below {100.0 * sight.lowest:.1f} % of the carrier, where "
                "this detector does not see: the carrier may be cut off there."
            )
        inverse = self._inverse
        if inverse is not None and inverse.hidden_troughs and 1.0 - inverse.hidden_bottom > limit:
            yield (
                f"The capacitor hid the bottom of {inverse.hidden_troughs} troughs; the envelope "
                f"may reach {100.0 * inverse.hidden_bottom:.1f} % of the carrier there. A smaller "
                "time constant shows them."
            )

    def _keep(self) -> StoredArray:
        """Read the recording once, to 48 kHz."""
        options, kept = self._options, Path(self._folder.name) / "detector"
        recording = RecordingIn(
            options.recording,
            DETECTOR,
            raw_format=options.raw_format,
            rate_hz=options.rate_hz,
            channel=options.channel,
        )
        with recording, kept.open("wb") as file:
            resampler = Resampler(recording.sample_rate_hz, SAMPLE_RATE_HZ)
            for block in recording.blocks():
                file.write(resampler.process(block).astype(np.float32).tobytes())
            file.write(resampler.finish().astype(np.float32).tobytes())
            rate_hz = min(recording.sample_rate_hz, SAMPLE_RATE_HZ)
            self.half_width_hz = highest_passed_hz(rate_hz)
        if not kept.stat().st_size:
            raise AudioError(f"{options.recording}: too short to hold anything")
        return StoredArray(np.memmap(kept, dtype=np.float32, mode="r"))

    def _fit(self) -> DetectorFit | None:
        options = self._options
        if options.known is None:
            return None
        if options.rig is None:
            raise SettingError("--known needs --rig: the known sound goes through its path")
        with_dc = self._height_by_dc()
        with ReferenceFolder() as folder:
            found = folder.read(options.known, self._recorded, options.rig, options.path)
            try:
                fit = fit_detector(
                    self._recorded,
                    found.expected,
                    found.time_map,
                    None if with_dc is None else abs(with_dc.carrier),
                )
            except AudioError as error:
                raise AudioError(f"{options.known}: {error}") from None
        if with_dc is not None:
            known = {"carrier": with_dc.carrier, "at_rest": with_dc.at_rest, "coupling_hz": 0.0}
            return replace(
                fit, model=replace(fit.model, **known), carrier_error=LEAST_ERROR, has_dc=True
            )
        signed = replace(fit.model, carrier=fit.model.carrier * found.time_map.sign)
        return replace(fit, model=signed)

    def _height_by_dc(self) -> FoundHeight | None:
        return find_height(self._recorded) if extremes(self._recorded).has_dc else None

    def _height(self) -> FoundHeight | None:
        if self.fit is not None or self._options.carrier_level is not None:
            return None
        found = find_height(self._recorded, inverted=self._options.inverted)
        if found is None:
            raise AudioError(f"{self._options.recording}: {self._why_not()}")
        return found

    def _why_not(self) -> str:
        seen = extremes(self._recorded)
        up, down = seen.highest, -seen.lowest
        if self._options.inverted:
            up, down = down, up
        return (
            "a detector recording without its DC does not say how high the carrier is, and no "
            f"trough is flat; crests are {up / max(down, 1e-9):.2f} times as high as troughs are "
            "deep, and no more can be told. Give --known AUDIO --rig RIG, or --carrier-level"
        )

    def _sight(self) -> DetectorSight:
        options, fit = self._options, self.fit
        if fit is not None:
            model, knee_error, carrier_error = fit.model, fit.knee_error, fit.carrier_error
        else:
            model, carrier_error = self._unfitted()
            knee_error = GIVEN_ERROR
        if options.carrier_level is not None:
            model = replace(model, carrier=options.carrier_level)
            carrier_error = GIVEN_ERROR
        if options.knee_pct is not None:
            model, knee_error = replace(model, knee=options.knee_pct / 100.0), GIVEN_ERROR
        if options.rc_ms is not None:
            model = replace(model, rc_s=options.rc_ms / 1000.0)
        return DetectorSight(
            model=model,
            knee_error=knee_error,
            carrier_error=carrier_error,
            knows_knee=fit is not None or options.knee_pct is not None,
            knows_rc=fit is not None or options.rc_ms is not None,
        )

    def _unfitted(self) -> tuple[DetectorModel, float]:
        """Return a detector of which no more than the height is known."""
        if self._options.carrier_level is not None:
            return DetectorModel(carrier=self._options.carrier_level, noise=LEAST_NOISE), 0.0
        assert self.height is not None
        height = self.height
        model = DetectorModel(carrier=height.carrier, at_rest=height.at_rest, noise=LEAST_NOISE)
        return model, height.error


def _demodulated(envelope: "np.ndarray[Any, np.dtype[np.float64]]") -> Demodulated:
    """Return an envelope as a signal along the carrier, with nothing across it."""
    known = np.ones(len(envelope), dtype=np.bool_)
    return Demodulated(envelope, np.zeros(len(envelope)), known)
