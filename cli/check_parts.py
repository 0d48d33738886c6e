"""The parts of ``check`` that need more than the recording: a reference, a detector, clips."""

import math
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from carrierfloor.cli.check_clips import Clips, check_folder, write_clips
from carrierfloor.cli.check_detector import detector_notes, detector_report
from carrierfloor.cli.check_measuring import Measured
from carrierfloor.cli.check_options import CheckOptions
from carrierfloor.cli.check_reference import Reference, ReferenceFolder
from carrierfloor.cli.check_trapezoid import CheckedTrapezoid, trapezoid
from carrierfloor.cli.detector_source import DetectorSource
from carrierfloor.cli.recording_in import DETECTOR, IQ, MIX
from carrierfloor.cli.report import finite
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rig import Modulation, Rig
from carrierfloor.dsp.simulation import chosen_path

LEVEL_WAS_TAKEN = "known audio at the rig's level"  # of a detector: it cannot tell the level


@dataclass(frozen=True, kw_only=True)
class Parts:
    """What was made of them; ``None`` where they were not asked for."""

    detector: DetectorSource | None
    trapezoid: CheckedTrapezoid | None
    clips: Clips | None
    negative_peak: float
    limit: float

    @property
    def report(self) -> dict[str, Any]:
        """Their groups of the report."""
        groups: dict[str, Any] = {}
        if self.detector is not None:
            groups["detector"] = detector_report(self.detector, self.negative_peak, self.limit)
        if self.trapezoid is not None:
            groups |= self.trapezoid.report
        if self.clips is not None:
            groups["clips"] = self.clips.report
        return {name: finite(group) for name, group in groups.items()}

    @property
    def notes(self) -> Iterator[str]:
        """What a person should know."""
        if self.detector is not None:
            yield from detector_notes(self.detector, self.negative_peak, self.limit)
        for part in (self.trapezoid, self.clips):
            if part is not None:
                yield from part.notes

    @property
    def hidden_depth(self) -> float | None:
        """How deep a trough may be that the detector does not show, if that breaks the limit."""
        if self.detector is None or self.detector.may_be_safe(self.negative_peak, self.limit):
            return None
        return self.detector.depth_bound(self.negative_peak)

    @property
    def level_db(self) -> float | None:
        """Modulation over what the rig's level promises, if a reference tells."""
        if self.trapezoid is None:
            return None
        groups = self.report
        if groups.get("detector", {}).get("carrier_from") == LEVEL_WAS_TAKEN:
            return None
        return self.trapezoid.level_db

    @property
    def is_upside_down(self) -> bool:
        """Whether a positive sample moves the carrier the other way than the rig says."""
        if self.trapezoid is None or self.detector is not None:
            return False  # a detector may turn it over itself
        return self.trapezoid.reference.time_map.sign < 0.0

    def draw(self, folder: Path) -> tuple[Path, ...]:
        """Draw what there is to be drawn."""
        return () if self.trapezoid is None else self.trapezoid.draw(folder)


def check_options(options: CheckOptions, rig: Rig | None) -> None:
    """Refuse, before any work, options that do not go together.

    Raises
    ------
    SettingError
        Says which.
    """
    if options.clips is not None:
        check_folder(options.clips)
    if options.path is not None:
        if rig is None:
            raise SettingError("--path names one of a rig's paths; give the rig with --rig")
        chosen_path(rig, options.path)
    if options.channel != MIX and options.kind == IQ:
        raise SettingError("--channel goes with --kind if and detector: IQ needs both channels")
    of_detector = {
        "known": options.known,
        "carrier-level": options.carrier_level,
        "knee": options.knee,
        "rc": options.rc,
        "inverted": options.inverted or None,
    }
    for name, given in of_detector.items():
        if given is not None and options.kind != DETECTOR:
            raise SettingError(f"--{name} goes with --kind detector only")
    for name, value, low, high, unit in (
        ("knee", options.knee, 0.0, 100.0, "% of the carrier"),
        ("rc", options.rc, 0.0, 10.0, "ms"),
        (
            "carrier-level",
            options.carrier_level and abs(options.carrier_level),
            0.001,
            10.0,
            "in magnitude",
        ),
    ):
        if value is not None and not low <= value <= high:
            allowed = f"{low:g} to {high:g} {unit}".rstrip()
            raise SettingError(f"--{name} is {value:g}; it must be {allowed}")


def with_error_of(detector: DetectorSource, measured: Measured) -> Measured:
    """Return what was measured, its error with what is not known of the carrier's height."""
    peaks = measured.peaks
    error = detector.sight.carrier_error * (1.0 + peaks.positive_peak)
    return replace(measured, peaks=replace(peaks, error=math.hypot(peaks.error, error)))


@contextmanager
def made_parts(
    options: CheckOptions, measured: Measured, rig: Rig | None, detector: DetectorSource | None
) -> Iterator[Parts]:
    """Make the parts that were asked for, inside a ``with`` statement."""
    received, peaks = measured.received, measured.peaks
    limits = rig.modulation if rig is not None else Modulation()
    with ExitStack() as stack:
        reference: Reference | None = None
        pattern: CheckedTrapezoid | None = None
        if options.reference is not None:
            folder = stack.enter_context(ReferenceFolder())
            reference = folder.read(options.reference, received, rig, options.path)
            pattern = trapezoid(received, reference, rig, measured.reading.noise_rms)
        clips = None
        if options.clips is not None:
            clips = write_clips(
                options.clips,
                received,
                peaks.first,
                count=peaks.cutoffs,
                reference=reference,
                rig=rig,
            )
        yield Parts(
            detector=detector,
            trapezoid=pattern,
            clips=clips,
            negative_peak=peaks.negative_peak,
            limit=limits.negative_limit_pct / 100.0,
        )
