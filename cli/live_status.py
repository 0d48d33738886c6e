"""What a live session looks like at one moment: all that the console and the log show."""

from dataclasses import dataclass, field

# States of a session.
STARTING, ON_AIR, MUTED, SILENT, ENDED = "starting", "on", "muted", "silent", "ended"


@dataclass(frozen=True, kw_only=True)
class Loop:
    """The audio callback since the last look, and all in all."""

    load_median_pct: float = 0.0  # share of a block's time that the callback took
    load_p99_pct: float = 0.0
    load_max_pct: float = 0.0
    input_overflows: int = 0  # since the session began
    output_underflows: int = 0
    cuts: int = 0  # how often the output was cut and begun anew
    restarts: int = 0  # how often the devices were opened again


@dataclass(frozen=True, kw_only=True)
class Latency:
    """Where the time from microphone to exciter goes."""

    chain_ms: float = 0.0
    buffers_ms: float = 0.0  # one block in, one block out, rate conversion
    server_ms: float | None = None  # what PortAudio says of the rest; None: it does not know

    @property
    def total_ms(self) -> float:
        """All that is known."""
        return self.chain_ms + self.buffers_ms + (self.server_ms or 0.0)


@dataclass(frozen=True, kw_only=True)
class Meters:
    """Levels of the last moment; a hold is the highest of the last seconds."""

    input_peak_dbfs: float = -120.0
    input_hold_dbfs: float = -120.0
    input_is_silent: bool = True  # nothing but zeros for a while
    gate_db: float | None = None  # gain, 0 or below; None: the voice has no such stage
    leveller_db: float | None = None  # gain
    compressor_db: float | None = None  # gain, 0 or below
    clipper_db: float | None = None  # how deep it clips, 0 or above
    limiter_db: float = 0.0  # gain, 0 or below
    negative_pct: float = 0.0  # predicted at the antenna
    positive_pct: float = 0.0
    negative_hold_pct: float = 0.0
    positive_hold_pct: float = 0.0
    negative_max_pct: float = 0.0  # since the session began
    positive_max_pct: float = 0.0
    density_pct: float = 0.0  # rms of the modulation while somebody spoke in the last seconds
    card_peak_dbfs: float = -120.0


@dataclass(frozen=True, kw_only=True)
class LiveStatus:
    """A moment of a live session."""

    elapsed_s: float = 0.0
    clock: str = ""  # local time, HH:MM:SS
    state: str = STARTING
    message: str = ""  # the newest remark
    input_device: str = ""
    output_device: str = ""
    sample_rate_hz: int = 48_000
    block_frames: int = 256
    voices: tuple[tuple[str, str], ...] = ()  # key and name, such as ("A", "Everyday, 4 kHz")
    heard: str = "A"  # key of the voice that is heard
    rig: str = ""
    negative_limit_pct: float = 95.0
    positive_limit_pct: float = 125.0
    is_equalised: bool = False  # whether the rig has an equaliser
    drive_db: float | None = None  # of the voice that is heard; None: it has no drive
    is_matched: bool = False  # whether the voices are brought to one loudness
    meters: Meters = field(default_factory=Meters)
    loop: Loop = field(default_factory=Loop)
    latency: Latency = field(default_factory=Latency)
    drift_ppm: float | None = None  # of the input's clock against the output's; None: one clock
    slips: int = 0  # how often the sound between the two was lost and taken up again
    marks: int = 0
    recording: str = ""  # file name, empty if none
    recorded_s: float = 0.0
    recording_lost_s: float = 0.0
    # The envelope of the last seconds, oldest first: lowest and highest m of equal stretches.
    envelope: tuple[tuple[float, float], ...] = ()
    # The last instants as (sound card in 100 % units, m) pairs, for the trapezoid.
    trapezoid: tuple[tuple[float, float], ...] = ()
