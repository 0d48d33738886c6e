"""What the command line asks of a live session."""

from dataclasses import dataclass, replace
from pathlib import Path

from carrierfloor.cli import documents
from carrierfloor.cli.live_plan import Plan
from carrierfloor.dsp.desk import BYPASS
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.live_layout import MOST_FRAMES
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.voice import Voice

A, B, BYPASSED = "A", "B", "bypass"  # keys of the voices
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 16_000, 192_000
FEWEST_FRAMES = 16
SHORTEST_MS, LONGEST_MS = 1.0, 500.0


@dataclass(frozen=True, kw_only=True)
class LiveOptions:
    """All options of ``live``."""

    plan: Plan
    voice: str | None = None  # name or file; None: the default one
    voice_b: str | None = None
    rig: str | None = None
    drive_db: float | None = None  # of voice A
    negative_limit_pct: float | None = None
    positive_limit_pct: float | None = None
    heard: str = A
    match: bool = False
    mute: bool = False
    reconnect: bool = True
    record: Path | None = None
    log: Path | None = None
    plain: bool = False
    for_s: float | None = None  # end by itself after this time

    def check(self) -> None:
        """Refuse what is wrong whatever the devices.

        Raises
        ------
        SettingError
            Names the option, its value and what is allowed.
        """
        plan = self.plan
        for option, rate_hz in (("--rate", plan.rate_hz), ("--input-rate", plan.input_rate_hz)):
            if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
                raise SettingError(
                    f"{option} is {rate_hz} Hz; it must be {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
                )
        if not FEWEST_FRAMES <= plan.block_frames <= MOST_FRAMES:
            raise SettingError(
                f"--block is {plan.block_frames} frames; it must be {FEWEST_FRAMES} to "
                f"{MOST_FRAMES}"
            )
        latency_ms = 1000.0 * plan.latency_s
        if not SHORTEST_MS <= latency_ms <= LONGEST_MS:
            raise SettingError(
                f"--latency is {latency_ms:g} ms; it must be {SHORTEST_MS:g} to {LONGEST_MS:g} ms"
            )
        if self.for_s is not None and not self.for_s > 0.0:
            raise SettingError(f"--for is {self.for_s:g} s; it must be more than 0 s")
        if self.heard == B and self.voice_b is None:
            raise SettingError("--heard B needs a second voice: give --voice-b NAME_OR_FILE")

    def name_of(self, key: str) -> str | None:
        """Return the name or file of a voice."""
        return self.voice if key == A else self.voice_b

    def read_voice(self, key: str) -> Voice:
        """Read a voice, with the changes asked for.

        Raises
        ------
        SettingError
            If it cannot be had.
        """
        if key == BYPASSED:
            return BYPASS
        voice = documents.voice(self.name_of(key))
        if key == A and self.drive_db is not None:
            voice = voice.with_drive(self.drive_db)
        return voice

    def read_voices(self) -> dict[str, Voice]:
        """Read all voices."""
        keys = [A, B, BYPASSED] if self.voice_b is not None else [A, BYPASSED]
        return {key: self.read_voice(key) for key in keys}

    def read_rig(self) -> Rig:
        """Read the rig, with the changes asked for.

        Raises
        ------
        SettingError
            If it cannot be had.
        """
        rig = documents.rig(self.rig)
        return rig.with_limits(self.negative_limit_pct, self.positive_limit_pct)

    def plan_with(self, memory_fd: int, parent_pid: int) -> Plan:
        """Return the plan for the audio process."""
        return replace(self.plan, memory_fd=memory_fd, parent_pid=parent_pid)
