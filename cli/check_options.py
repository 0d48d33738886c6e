"""All options of ``check``."""

from dataclasses import dataclass
from pathlib import Path

from carrierfloor.cli.recording_in import MIX


@dataclass(frozen=True, kw_only=True)
class CheckOptions:
    """What the user asked for."""

    recording: Path
    kind: str | None = None  # iq, if or detector; found out if left out
    format: str | None = None  # of raw samples
    rate: float | None = None  # of raw samples, in Hz
    channel: str = MIX  # of a recording that is no IQ
    carrier: float | None = None  # where about it lies, in Hz
    width: float | None = None  # on each side of the carrier, in Hz; chosen if left out
    rig: str | None = None
    path: str | None = None  # which of the rig's paths the audio took
    reference: Path | None = None  # what the sound card played
    clips: Path | None = None  # folder for the audio before each cut-off
    known: Path | None = None  # a sound in a detector recording, to find the detector by
    carrier_level: float | None = None  # of a detector recording, as its samples
    knee: float | None = None  # of a detector, in % of the carrier
    rc: float | None = None  # of a detector, in ms
    inverted: bool = False  # more carrier is a lower voltage of the detector
    apply: bool = False
    masks: tuple[str, ...] = ()  # shipped names or files
    report: Path | None = None
    pictures: Path | None = None
