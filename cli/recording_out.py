"""Writing recordings of a radio signal: sound files of one or two channels, or raw samples."""

import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self

from numpy.typing import NDArray

from carrierfloor.cli.audio_out import (
    DEFAULT_SAMPLES,
    AudioOut,
    container_of,
    sample_format,
    wide_enough,
)
from carrierfloor.cli.recording_in import RAW_ENDINGS
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.raw_samples import RAW_FORMATS, RawQuantiser
from carrierfloor.dsp.sample_format import Quantiser, SampleFormat

NAMELESS_RAW = (".iq", ".raw")  # endings that do not say how a sample is stored
DEFAULT_RAW = "s16"
RAW = "raw"
FLAC_HIGHEST_HZ = 655_350  # what its header can say (RFC 9639, section 9.1.2)


class Sink(Protocol):
    """A file being written, in a ``with`` statement; without a commit it leaves nothing behind."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    def write(self, samples: NDArray[Any]) -> None:
        """Append stored samples."""

    def commit(self) -> None:
        """Put the file in its place."""


@dataclass(frozen=True, kw_only=True)
class Storage:
    """How a recording is stored."""

    container: str  # WAV, RF64, FLAC or raw
    sample_type: str  # libsndfile's name, or that of a raw format
    channels: int
    rate_hz: int

    def quantiser(self) -> Quantiser | RawQuantiser:
        """Return what turns samples into stored ones, without dither: a receiver has none."""
        if self.container == RAW:
            return RawQuantiser(RAW_FORMATS[self.sample_type])
        return Quantiser(SampleFormat(name=self.sample_type), dither=False)

    def open(self, path: Path) -> Sink:
        """Return the file, to be entered."""
        if self.container == RAW:
            return RawOut(path)
        return AudioOut(
            path,
            container=self.container,
            sample_type=SampleFormat(name=self.sample_type),
            sample_rate_hz=self.rate_hz,
            channels=self.channels,
        )


def storage_of(
    path: Path,
    *,
    channels: int,
    rate_hz: int,
    frames: int,
    sample_type: str | None = None,
    raw_format: str | None = None,
) -> Storage:
    """Choose how a recording is stored, by the ending of its name.

    Parameters
    ----------
    path : Path
        .wav or .flac; .cu8, .cs8, .cs16 or .cf32; or .iq or .raw.
    channels, rate_hz, frames : int
        Of the recording; frames at most.
    sample_type : str, optional
        libsndfile's name, for a sound file.
    raw_format : str, optional
        u8, s8, s16 or f32, for .iq or .raw.

    Raises
    ------
    SettingError
        If these do not go together.
    """
    ending = path.suffix.lower()
    if ending in RAW_ENDINGS or ending in NAMELESS_RAW:
        if sample_type is not None:
            raise SettingError(f"--subtype is for sound files; {path} is raw, give --format")
        said = RAW_ENDINGS.get(ending)
        if said and raw_format not in (None, said):
            raise SettingError(f"--format {raw_format} does not go with {ending}, which is {said}")
        chosen = said or raw_format or DEFAULT_RAW
        return Storage(container=RAW, sample_type=chosen, channels=channels, rate_hz=rate_hz)
    if raw_format is not None:
        raise SettingError(f"--format is for raw files (.iq, .raw); give --subtype for {path}")
    try:
        container = container_of(path)
    except SettingError:
        endings = ", ".join((*NAMELESS_RAW, *RAW_ENDINGS))
        raise SettingError(f"{path}: the ending must be .wav, .flac or raw: {endings}") from None
    stored_as = sample_format(container, sample_type, DEFAULT_SAMPLES)
    if container == "FLAC" and (channels > 1 or rate_hz > FLAC_HIGHEST_HZ):
        raise SettingError(
            f"{path}: a FLAC file is for one channel of at most {FLAC_HIGHEST_HZ} Hz here; write "
            "a .wav file or raw samples"
        )
    return Storage(
        container=wide_enough(container, stored_as, frames, channels),
        sample_type=stored_as.name,
        channels=channels,
        rate_hz=rate_hz,
    )


class RawOut:
    """A file of raw samples being written beside its place; it takes its place on commit.

    Parameters
    ----------
    path : Path
        Where the file will be.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._place = path.resolve()  # the file itself, if the name is a link
        self._part = self._place.with_name(f".{path.name}.{os.getpid()}.part")

    def __enter__(self) -> Self:
        """Make the file beside its place.

        Raises
        ------
        AudioError
            If it cannot be made.
        """
        folder = self.path.parent
        if not folder.is_dir():
            raise AudioError(f"{self.path}: there is no folder {folder}")
        try:
            self._file = self._part.open("wb")
        except OSError as error:
            raise AudioError(f"{self.path}: cannot write in {folder}: {error.strerror}") from None
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with suppress(OSError):
            self._file.close()
        with suppress(OSError):
            self._part.unlink()

    def write(self, samples: NDArray[Any]) -> None:
        """Append codes as they are.

        Raises
        ------
        AudioError
            If the system does not take them, as on a full disk.
        """
        try:
            self._file.write(samples.tobytes())
        except OSError as error:
            raise AudioError(f"{self.path}: cannot be written: {error.strerror}") from None

    def commit(self) -> None:
        """Finish the file and put it in its place.

        Raises
        ------
        AudioError
            If the system does not take the rest or the place.
        """
        try:
            self._file.close()
            os.replace(self._part, self._place)
        except OSError as error:
            raise AudioError(f"{self.path}: cannot be written: {error.strerror}") from None
