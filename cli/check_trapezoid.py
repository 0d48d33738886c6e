"""The trapezoid pattern of ``check --reference``: its part of the report, notes and picture."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from carrierfloor.cli.check_reference import Reference
from carrierfloor.cli.kept_signal import ReceivedSignal
from carrierfloor.cli.trapezoid_notes import end_notes, reference_notes
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.rig import Modulation, Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.time_map import TimeMap
from carrierfloor.dsp.trapezoid import Trapezoid, TrapezoidMeter

if TYPE_CHECKING:
    from matplotlib.figure import Figure

BLOCK = 48_000
BELIEVED = 0.9  # explained: below, the level says little
CLEAR = 0.98  # explained: below, the shape of the sides says little
LEVEL_OFF_DB = 0.2

# A number that does not exist is null.
KEYS = {
    "reference.file": "path of --reference as given; null without, as all of these then",
    "reference.path": "through which path of the rig it went",
    "reference.begins_s": "when its beginning is heard in the recording; negative: before it",
    "reference.clock_ppm": "how much longer things take in the recording than played",
    "reference.clock_error_ms": "rms by which single pieces lie beside that clock",
    "reference.upside_down": "true if a positive sample takes the carrier down where the rig says "
    "up, or the other way round",
    "reference.found_pct": "of the pieces with audio, those in which it was found again",
    "reference.likeness": "correlation of the best piece, 0 to 1",
    "trapezoid.linearity_pct": "largest distance of the sides from the best straight line, in % "
    "of the carrier",
    "trapezoid.upper_end": "straight, compressed or stretched",
    "trapezoid.upper_deviation_pct": "of the sides at the highest crests from the straight line "
    "through their middle, in % of the carrier; negative: less carrier",
    "trapezoid.lower_end": "straight, rounded, steeper, cut off, or held up (by a diode)",
    "trapezoid.lower_deviation_pct": "the same at the deepest troughs",
    "trapezoid.residual_pct": "rms of the envelope around the sides, in % of the carrier, noise "
    "taken out: what no modulator without memory explains (phase, a wrong path, fading)",
    "trapezoid.explained_pct": "part of the envelope's power that the sides explain",
    "trapezoid.level_db": "modulation over what the rig's full_modulation_dbfs promises; null "
    "without a rig",
    "trapezoid.full_modulation_dbfs": "level of a 1 kHz tone that makes 100 %, by this recording",
    "trapezoid.through_path": "false if the audio went through no path",
}


@dataclass(frozen=True, kw_only=True)
class CheckedTrapezoid:
    """What the trapezoid shows.

    Attributes
    ----------
    pattern : Trapezoid or None
        None if the audio hardly moves.
    straight_from_card : Trapezoid or None
        Against the audio without the path, if there is one.
    """

    reference: Reference
    rig: Rig | None
    pattern: Trapezoid | None
    straight_from_card: Trapezoid | None
    scale: float  # what the reference was multiplied by: 1 with a rig

    @property
    def level_db(self) -> float | None:
        """By how much modulation exceeds what the rig's level promises, if that can be told."""
        if self.rig is None or not self.is_believed or self.pattern is None:
            return None
        return decibels(abs(self.pattern.slope))

    @property
    def is_believed(self) -> bool:
        """Whether the sides explain so much that the level means something."""
        return self.pattern is not None and self.pattern.explained >= BELIEVED

    @property
    def is_clear(self) -> bool:
        """Whether the shape of the sides means something."""
        return self.pattern is not None and self.pattern.explained >= CLEAR

    @property
    def report(self) -> dict[str, Any]:
        """Two groups of the report."""
        return {"reference": self._reference_report(), "trapezoid": self._pattern_report()}

    def _reference_report(self) -> dict[str, Any]:
        found = self.reference.time_map
        return {
            "file": str(self.reference.file),
            "path": self.reference.path,
            "begins_s": found.offset / SAMPLE_RATE_HZ,
            "clock_ppm": found.clock_ppm,
            "clock_error_ms": 1000.0 * found.error_samples / SAMPLE_RATE_HZ,
            "upside_down": found.sign < 0.0,
            "found_pct": 100.0 * found.found,
            "likeness": found.likeness,
        }

    def _pattern_report(self) -> dict[str, Any]:
        pattern = self.pattern
        if pattern is None:
            return dict.fromkeys(key.split(".")[1] for key in KEYS if key.startswith("trapezoid."))
        full = self.rig.level.full_modulation_dbfs if self.rig is not None else 0.0
        return {
            "linearity_pct": 100.0 * pattern.linearity,
            "upper_end": pattern.upper,
            "upper_deviation_pct": 100.0 * pattern.upper_deviation,
            "lower_end": pattern.lower,
            "lower_deviation_pct": 100.0 * pattern.lower_deviation,
            "residual_pct": 100.0 * pattern.residual,
            "explained_pct": 100.0 * pattern.explained,
            "level_db": self.level_db,
            "full_modulation_dbfs": full - decibels(abs(pattern.slope) * self.scale)
            if self.is_believed
            else None,
            "through_path": self.reference.has_path,
        }

    @property
    def notes(self) -> list[str]:
        """What a person should know."""
        found, has_rig = self.reference.time_map, self.rig is not None
        return [*reference_notes(found, has_rig=has_rig), *self._pattern_notes()]

    def _pattern_notes(self) -> Iterator[str]:
        pattern = self.pattern
        if pattern is None:
            yield "The reference is too quiet for a trapezoid."
            return
        if not self.is_clear:
            yield (
                f"The trapezoid's sides explain {100.0 * pattern.explained:.0f} % of the envelope "
                "only: "
                + (
                    "the path in the rig file is not the transmitter's; measure it."
                    if self.reference.has_path
                    else "measure the path and give the rig (--rig), so that phase is taken out."
                )
            )
        else:
            yield from end_notes(pattern)
        level_db = self.level_db
        if level_db is not None and abs(level_db) > LEVEL_OFF_DB:
            assert self.rig is not None
            right = self.rig.level.full_modulation_dbfs - level_db
            yield (
                f"The same samples modulate {level_db:+.2f} dB against the rig's level: "
                f"full_modulation_dbfs would be {right:.2f}."
            )

    def draw(self, folder: Path) -> tuple[Path, ...]:
        """Draw the pattern into a folder; nothing if there is none."""
        from carrierfloor.cli.pictures import save, style

        if self.pattern is None:
            return ()
        with style():
            return (save(self._figure(), folder / "trapezoid.png"),)

    def _figure(self) -> "Figure":
        from matplotlib.figure import Figure

        from carrierfloor.cli.trapezoid_plots import pattern_plot

        assert self.pattern is not None
        limits = self.rig.modulation if self.rig is not None else Modulation()
        patterns = [(self.pattern, self._title())]
        if self.straight_from_card is not None:
            patterns.append((self.straight_from_card, "Against the audio at the sound card"))
        figure = Figure(figsize=(1.0 + 4.6 * len(patterns), 5.2), layout="constrained")
        row = figure.subplots(1, len(patterns), squeeze=False, sharey=True)[0]
        for (pattern, title), ax in zip(patterns, row, strict=True):
            pattern_plot(pattern, limits, ax=ax, sides=pattern is self.pattern)
            ax.set_title(title)
        for ax in row[1:]:
            ax.set_ylabel("")
        return figure

    def _title(self) -> str:
        assert self.pattern is not None
        where = f"Through the path {self.reference.path!r}" if self.reference.has_path else "Audio"
        straight = f"sides straight within {100.0 * self.pattern.linearity:.1f} % of the carrier"
        return (
            f"{where}:\n{straight}"
            if self.is_clear
            else f"{where}:\nphase or noise hides the sides"
        )


def trapezoid(
    received: ReceivedSignal, reference: Reference, rig: Rig | None, noise_rms: float = 0.0
) -> CheckedTrapezoid:
    """Draw the envelope against the reference.

    Parameters
    ----------
    received : ReceivedSignal
        The received signal.
    reference : Reference
        What was played.
    rig : Rig, optional
        The rig the reference was read with.
    noise_rms : float
        Of m in the recording.
    """
    scale = 1.0 if rig is not None else _slope(received, reference)
    meters = [TrapezoidMeter()]
    sources = [reference.expected]
    if reference.has_path:
        meters.append(TrapezoidMeter())
        sources.append(reference.audio)
    for at, modulation, known in _stretches(received, reference.time_map, reference):
        for meter, source in zip(meters, sources, strict=True):
            x = scale * reference.time_map.take(source, at, len(modulation))
            meter.feed(x, modulation, known)
    read = [meter.read(noise_rms) for meter in meters]
    return CheckedTrapezoid(
        reference=reference,
        rig=rig,
        pattern=read[0],
        straight_from_card=read[1] if len(read) > 1 else None,
        scale=scale,
    )


def _stretches(
    received: ReceivedSignal, found: TimeMap, reference: Reference
) -> Iterator[tuple[int, Block, Any]]:
    """Yield what was received while the reference played."""
    first = max(0, math.ceil(found.heard_at(0.0)))
    last = min(received.samples, math.floor(found.heard_at(reference.audio.samples)))
    at = first
    if last <= first:
        return
    for stretch in received.blocks(first, last):
        for start in range(0, len(stretch.modulation), BLOCK):
            part = slice(start, start + BLOCK)
            yield at + start, stretch.modulation[part], stretch.known[part]
        at += len(stretch.modulation)


def _slope(received: ReceivedSignal, reference: Reference) -> float:
    """Return the modulation that a full-scale sample makes, by least squares."""
    both, own = 0.0, 0.0
    for at, modulation, known in _stretches(received, reference.time_map, reference):
        x = reference.time_map.take(reference.expected, at, len(modulation))
        both += float(np.dot(x[known], modulation[known]))
        own += float(np.dot(x[known], x[known]))
    return both / own if own > 0.0 else 1.0
