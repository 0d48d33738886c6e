"""Writing sound files: whole or not at all."""

import os
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import soundfile

from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.sample_format import SampleFormat

CONTAINERS = {".wav": "WAV", ".flac": "FLAC"}
WAV_LARGEST_BYTES = 2**32 - 2**16  # the header of a plain WAV counts to 4 GiB; RF64 further
DEFAULT_SAMPLES = "PCM_24"
KEPT_SAMPLES = ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")


def container_of(path: Path) -> str:
    """Return libsndfile's name of the format that a file name asks for.

    Raises
    ------
    SettingError
        If its ending is neither .wav nor .flac.
    """
    container = CONTAINERS.get(path.suffix.lower())
    if container is None:
        raise SettingError(f"{path}: the ending must be .wav or .flac")
    return container


def sample_format(container: str, wanted: str | None, source: str) -> SampleFormat:
    """Choose how samples are stored.

    Parameters
    ----------
    container : str
        ``WAV`` or ``FLAC``.
    wanted : str or None
        libsndfile's name of a sample type; ``None`` keeps that of the source where it can.
    source : str
        The sample type of the source.

    Raises
    ------
    SettingError
        If the container cannot hold that type, or it is a lossy one.
    """
    able = soundfile.available_subtypes(container)
    if wanted is None:
        keep = source in KEPT_SAMPLES and source in able
        return SampleFormat(name=source if keep else DEFAULT_SAMPLES)
    chosen = SampleFormat(name=wanted.upper())
    if chosen.name not in able:
        raise SettingError(
            f"--subtype {chosen.name} does not go into a {container} file; "
            f"use one of {', '.join(name for name in able if name.startswith('PCM'))}"
        )
    return chosen


def wide_enough(container: str, sample_type: SampleFormat, frames: int, channels: int = 1) -> str:
    """Return ``RF64`` in place of ``WAV`` where so many samples need it."""
    large = frames * channels * sample_type.bytes > WAV_LARGEST_BYTES
    return "RF64" if container == "WAV" and large else container


class AudioOut:
    """A sound file being written beside its place; it takes its place on :meth:`commit`.

    Use it in a ``with`` statement: left without a commit, it leaves nothing behind.

    Parameters
    ----------
    path : Path
        Where the file will be.
    container : str
        libsndfile's name of it.
    sample_type : SampleFormat
        How a sample is stored.
    sample_rate_hz : int
        Of the samples to come.
    channels : int
        1 for sound; 2 for I and Q.
    """

    def __init__(
        self,
        path: Path,
        *,
        container: str,
        sample_type: SampleFormat,
        sample_rate_hz: int,
        channels: int = 1,
    ) -> None:
        self.path = path
        frame_bytes = channels * sample_type.bytes
        self._room_frames = WAV_LARGEST_BYTES // frame_bytes if container == "WAV" else None
        self._place = path.resolve()  # the file itself, if the name is a link
        self._part = self._place.with_name(f".{path.name}.{os.getpid()}.part")
        self._form = {
            "samplerate": sample_rate_hz,
            "channels": channels,
            "subtype": sample_type.name,
            "format": container,
        }

    def __enter__(self) -> Self:
        """Make the file beside its place.

        Raises
        ------
        AudioError
            If it cannot be made.
        """
        try:
            self._open()
        except BaseException:  # Ctrl-C too must leave nothing, and __exit__ is not called yet
            self._discard()
            raise
        return self

    def _open(self) -> None:
        try:
            self._part.open("wb").close()  # the system's own reason, if it cannot be
        except OSError as error:
            folder = self.path.parent
            if not folder.is_dir():
                raise AudioError(f"{self.path}: there is no folder {folder}") from None
            raise AudioError(f"{self.path}: cannot write in {folder}: {error.strerror}") from None
        try:
            self._file: Any = soundfile.SoundFile(self._part, "w", **self._form)
        except soundfile.LibsndfileError as error:
            raise AudioError(f"{self.path}: cannot be made: {error.error_string}") from None

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if not self._file.closed:
            with suppress(soundfile.LibsndfileError):
                self._file.close()
        self._discard()

    def write(self, samples: np.ndarray[Any, Any]) -> None:
        """Append samples, shape (n,) or (n, channels), as :class:`Quantiser` makes them.

        Raises
        ------
        AudioError
            If the system does not take them, as on a full disk, or the file grows beyond what
            its header can say.
        """
        if self._room_frames is not None:
            self._room_frames -= len(samples)
            if self._room_frames < 0:
                raise AudioError(f"{self.path}: too long for a WAV file; write a .flac file")
        try:
            self._file.write(samples)
        except (soundfile.LibsndfileError, AssertionError):
            raise AudioError(f"{self.path}: cannot be written: {self._system_reason()}") from None

    def commit(self) -> None:
        """Finish the file and put it in its place.

        Raises
        ------
        AudioError
            If the system does not take the rest or the place.
        """
        try:
            self._file.close()
        except soundfile.LibsndfileError:
            raise AudioError(f"{self.path}: cannot be written: {self._system_reason()}") from None
        try:
            os.replace(self._part, self._place)
        except OSError as error:
            raise AudioError(f"{self.path}: cannot be written: {error.strerror}") from None

    def _system_reason(self) -> str:
        """Ask the system again; libsndfile only says "System error"."""
        try:
            with self._part.open("ab") as file:
                file.write(bytes(1 << 16))
                file.flush()
        except OSError as error:
            return str(error.strerror)
        return "the system gave no reason"

    def _discard(self) -> None:
        with suppress(OSError):
            self._part.unlink()
