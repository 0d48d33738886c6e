"""A detector recording as a source for ``check``: what the detector does is found and taken out."""

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from carrierfloor.cli.check_options import CheckOptions
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


class DetectorSource:
    """A detector recording as a demodulated signal; use it in a ``with`` statement.

    Parameters
    ----------
    options : CheckOptions
        The recording, and what is known of it and of its detector.
    rig : Rig, optional
        Level and path of the known sound; with a rig the reference is one too.

    Attributes
    ----------
    sight : DetectorSight
        The detector and how well it is known.
    half_width_hz : float
        Highest modulating frequency in it.
    inverse : DetectorInverse or None
        What took the detector out; it knows, after :meth:`blocks`, what the capacitor hid.

    Raises
    ------
    CarrierfloorError
        If the recording cannot be read, or nothing tells the carrier's height.
    """

    sample_rate_hz = float(SAMPLE_RATE_HZ)

    def __init__(self, options: CheckOptions, rig: Rig | None) -> None:
        self._options, self._rig = options, rig
        self._known = options.known or (options.reference if rig is not None else None)
        self._folder = tempfile.TemporaryDirectory(prefix="carrierfloor-")
        self.inverse: DetectorInverse | None = None
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
        inverse = self.inverse = DetectorInverse(self.sight.model)
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
        hidden = self.inverse.hidden_bottom if self.inverse is not None else 1.0
        return float(max(negative_peak, deepest, 1.0 - hidden))

    def may_be_safe(self, negative_peak: float, limit: float) -> bool:
        """Tell whether no trough deeper than ``limit`` can be hidden."""
        return bool(self.sight.knows_knee and self.depth_bound(negative_peak) <= limit)

    @property
    def carrier_from(self) -> str:
        """What told the carrier's height."""
        if self._options.carrier_level is not None:
            return "given"
        if self.fit is not None:
            if self.fit.has_dc:
                return "DC"
            return "known audio" if self.fit.has_cutoff else "known audio at the rig's level"
        assert self.height is not None
        return self.height.by

    def _keep(self) -> StoredArray:
        """Read the recording once, to 48 kHz."""
        options, kept = self._options, Path(self._folder.name) / "detector"
        recording = RecordingIn(
            options.recording,
            DETECTOR,
            raw_format=options.format,
            rate_hz=options.rate,
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
        if self._known is None:
            return None
        if self._rig is None:
            raise SettingError("--known needs --rig: the known sound goes through its path")
        with_dc = self._height_by_dc()
        with ReferenceFolder() as folder:
            found = folder.read(self._known, self._recorded, self._rig, self._options.path)
            try:
                fit = fit_detector(
                    self._recorded,
                    found.expected,
                    found.time_map,
                    None if with_dc is None else abs(with_dc.carrier),
                )
            except AudioError as error:
                raise AudioError(f"{self._known}: {error}") from None
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
            "a detector recording without its DC does not say how high the carrier is, and its "
            f"troughs do not end on one flat floor; crests are {up / max(down, 1e-9):.2f} times as "
            "high as troughs are deep, and no more can be told. Give --known AUDIO --rig RIG, or "
            "--carrier-level"
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
        if options.knee is not None:
            model, knee_error = replace(model, knee=options.knee / 100.0), GIVEN_ERROR
        if options.rc is not None:
            model = replace(model, rc_s=options.rc / 1000.0)
        return DetectorSight(
            model=model,
            knee_error=knee_error,
            carrier_error=carrier_error,
            knows_knee=fit is not None or options.knee is not None,
            knows_rc=fit is not None or options.rc is not None,
        )

    def _unfitted(self) -> tuple[DetectorModel, float]:
        """Return a detector of which no more than the height is known."""
        level = self._options.carrier_level
        if level is not None:
            at_rest = level if extremes(self._recorded).has_dc else 0.0
            return DetectorModel(carrier=level, at_rest=at_rest, noise=LEAST_NOISE), 0.0
        assert self.height is not None
        height = self.height
        model = DetectorModel(carrier=height.carrier, at_rest=height.at_rest, noise=LEAST_NOISE)
        return model, height.error


def _demodulated(envelope: "np.ndarray[Any, np.dtype[np.float64]]") -> Demodulated:
    """Return an envelope as a signal along the carrier, with nothing across it."""
    known = np.ones(len(envelope), dtype=np.bool_)
    return Demodulated(envelope, np.zeros(len(envelope)), known)
