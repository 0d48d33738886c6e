"""What the audio process of a live session is told, and what it answers."""

import json
from dataclasses import asdict, dataclass
from typing import Self


@dataclass(frozen=True, kw_only=True)
class Plan:
    """All that is needed to open the devices.

    Devices are what a user wrote; see :func:`carrierfloor.cli.sound_devices.choose`.
    """

    input: str
    output: str
    monitor: str | None = None
    input_channel: str = "mix"  # mix, left, right or a number
    output_channel: str = "both"  # both, left, right or a number
    rate_hz: int = 48_000  # of the output, and of an input on the same clock
    input_rate_hz: int = 48_000
    block_frames: int = 256
    latency_s: float = 0.05  # asked of PortAudio
    one_clock: bool = False  # different devices, but on one clock: no resampling between them
    memory_fd: int = -1
    parent_pid: int = -1

    def to_json(self) -> str:
        """Return it as one line."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Read it from a line."""
        return cls(**json.loads(text))


@dataclass(frozen=True, kw_only=True)
class Opened:
    """What the audio process says once sound runs."""

    input: str  # the devices' names with their host APIs
    output: str
    monitor: str = ""
    one_stream: bool = True
    buffers_s: float = 0.0  # a block in, a block out, rate conversion
    server_s: float | None = None  # what PortAudio believes beyond that; None: it does not know
