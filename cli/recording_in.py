"""Opening recordings of the transmitted signal: IQ, low-IF or detector; sound files or raw."""

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from carrierfloor.cli.audio_in import AudioIn, check_readable
from carrierfloor.cli.sample_source import SampleSource
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.intake import Intake, channel_index
from carrierfloor.dsp.raw_samples import RAW_FORMATS, from_bytes
from carrierfloor.dsp.recording_health import RecordingHealth, as_iq
from carrierfloor.dsp.sample_format import INTEGER_BITS

IQ, IF, DETECTOR = "iq", "if", "detector"
MIX = "mix"  # of all channels
KINDS = (IQ, IF, DETECTOR)
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8000, 4_000_000
RAW_ENDINGS = {".cu8": "u8", ".cs8": "s8", ".cs16": "s16", ".cf32": "f32", ".cfile": "f32"}
RAW_FRAMES = 1 << 16
NO_IQ = (
    "; if the carrier lies at a low frequency in it give --kind if, if it is demodulated --kind "
    "detector"
)
CHOOSE = "; choose one with --channel left or right, or give --kind iq if they are I and Q"


class RecordingIn:
    """A recording open for reading; use it in a ``with`` statement.

    Parameters
    ----------
    path : Path
        A sound file, or raw samples.
    kind : str
        ``iq``, ``if`` or ``detector``.
    raw_format : str, optional
        u8, s8, s16 or f32: the file is raw, I and Q in turn, or one channel if it is no IQ.
    rate_hz : float, optional
        Of a raw file.
    channel : str
        Of a recording that is no IQ: ``mix``, ``left``, ``right`` or a number.
    mixes_all : bool
        Mix whatever is in the channels; otherwise only what is the same signal.

    Attributes
    ----------
    sample_rate_hz : float
        Of the recording.
    health : RecordingHealth
        What was wrong with the samples read so far.

    Raises
    ------
    CarrierfloorError
        If it cannot be read, or cannot be of this kind.
    """

    def __init__(
        self,
        path: Path,
        kind: str,
        *,
        raw_format: str | None = None,
        rate_hz: float | None = None,
        channel: str = MIX,
        mixes_all: bool = False,
    ) -> None:
        self.path, self.kind = path, kind
        self._channel = channel
        self._must_be_alike = kind != IQ and channel == MIX and not mixes_all
        raw_format = raw_format or RAW_ENDINGS.get(path.suffix.lower())
        self._source: SampleSource
        if raw_format is not None:
            self._source = raw = _Raw(path, raw_format, rate_hz, 2 if kind == IQ else 1)
            highest = raw.highest
        else:
            if rate_hz is not None:
                raise SettingError(f"{path}: --rate is for raw files; this one says its rate")
            self._source = sound = AudioIn(path, highest_rate_hz=HIGHEST_RATE_HZ)
            bits = INTEGER_BITS.get(sound.sample_type, 0)
            highest = 1.0 - 1.5 * 2.0 ** (1 - bits) if bits else math.inf
        try:
            self._check_number()
        except BaseException:
            self._source.close()
            raise
        self.sample_rate_hz = float(self._source.sample_rate_hz)
        self.health = RecordingHealth(highest)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._source.close()

    @property
    def duration_s(self) -> float:
        """Length of what was read so far."""
        return self._source.duration_s

    @property
    def part_read(self) -> float:
        """How much of the file was read, 0 to 1; 0 where its length is not known."""
        return self._source.part_read

    def blocks(self) -> Iterator[NDArray[Any]]:
        """Yield all samples, shape (n,): complex for IQ, else real.

        Raises
        ------
        AudioError
            If the file is damaged, silent or clipped, or holds no IQ where it should.
        """
        intake = None if self.kind == IQ else Intake(self._source.channels, self._channel)
        for frames in self._source.blocks():
            clean = self.health.process(frames)
            yield as_iq(clean) if intake is None else intake.process(clean)
        try:
            self.health.check(self.sample_rate_hz)
        except AudioError as error:
            raise AudioError(f"{self.path}: {error}") from None
        self.check_channels()
        if intake is not None and intake.cancels:
            raise AudioError(
                f"{self.path}: mixing the channels cancels them; choose one with --channel"
            )

    def check_channels(self) -> None:
        """Refuse channels that are not what they are taken for, by what was read so far.

        Raises
        ------
        AudioError
            If they are no I and Q, or would be mixed and are not one signal.
        """
        try:
            if self.kind == IQ:
                self.health.check_pair()
            elif self._must_be_alike and self._source.channels == 2:
                self.health.check_alike()
        except AudioError as error:
            what = NO_IQ if self.kind == IQ else CHOOSE
            raise AudioError(f"{self.path}: {error}{what}") from None

    def _check_number(self) -> None:
        channels = self._source.channels
        if self._must_be_alike and channels > 2:
            raise AudioError(
                f"{self.path}: has {channels} channels; choose one with --channel 1 to {channels}"
            )
        if self.kind != IQ:
            try:
                channel_index(self._channel, channels)
            except SettingError as error:
                raise SettingError(f"{self.path}: {error}") from None
        elif channels != 2:
            raise AudioError(
                f"{self.path}: an IQ recording has 2 channels, this has {channels}{NO_IQ}"
            )


class _Raw(SampleSource):
    """Raw samples, read as :class:`AudioIn` reads sound files."""

    def __init__(self, path: Path, name: str, rate_hz: float | None, channels: int) -> None:
        self._format = RAW_FORMATS[name]
        if rate_hz is None:
            raise SettingError(f"{path}: raw samples say no rate; give --rate HZ")
        if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
            raise SettingError(
                f"--rate is {rate_hz:g} Hz; it must be {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
            )
        check_readable(path)
        self.path, self.sample_rate_hz, self.channels = path, rate_hz, channels
        self.highest = self._format.highest
        self._file = path.open("rb")
        self._frame_bytes = self._format.bytes * channels
        self.frames_promised = path.stat().st_size // self._frame_bytes

    def _read(self) -> NDArray[np.float64]:
        content = self._file.read(RAW_FRAMES * self._frame_bytes)
        whole = len(content) // self._frame_bytes * self._frame_bytes
        return from_bytes(content[:whole], self._format).reshape(-1, self.channels)
