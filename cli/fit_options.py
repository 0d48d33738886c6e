"""All options of the command ``fit``."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class FitOptions:
    """All options of ``fit``."""

    recording: Path
    out: Path | None = None
    voice: str | None = None
    rig: str | None = None
    density: float | None = None  # in %
    channel: str = "mix"
    dry_run: bool = False
    report: Path | None = None
