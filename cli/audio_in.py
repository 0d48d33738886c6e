"""Reading sound files, block by block, whatever their header says about the length."""

import os
import threading
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from carrierfloor.cli.sample_source import SampleSource
from carrierfloor.dsp.errors import AudioError

BLOCK_FRAMES = 16384  # small blocks make soundfile slow: 30 ns a sample at 1024, 12 at 16384
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8000, 192_000
UNKNOWN_FRAMES = 2**31 - 2  # libsndfile's stand-ins for a length it does not know lie above


class _Forward(soundfile.SoundFile):  # type: ignore[misc]
    """A sound file read from front to end.

    soundfile otherwise stops at the length given in the header, and seeks after every block,
    which fails for a FLAC stream of unknown length.
    """

    def seekable(self) -> bool:
        """Never seek."""
        return False


class AudioIn(SampleSource):
    """A sound file open for reading; use it in a ``with`` statement.

    Parameters
    ----------
    path : Path
        Anything that libsndfile reads.
    highest_rate_hz : int
        Sample rates beyond are refused.

    Attributes
    ----------
    sample_rate_hz, channels : int
        As in the file.
    container, sample_type : str
        libsndfile's names of the file's format and of its samples.
    frames_promised : int or None
        What the header says, if it says so.
    frames_read : int
        How many frames have come out so far.

    Raises
    ------
    AudioError
        If the file cannot be read, is no sound file or has a rate below 8 kHz or too high.
    """

    def __init__(self, path: Path, *, highest_rate_hz: int = HIGHEST_RATE_HZ) -> None:
        self.path = path
        check_readable(path)
        try:
            self._file: Any = _open_stream(path) if _needs_stream(path) else _Forward(path)
        except (soundfile.LibsndfileError, TypeError) as error:
            raise AudioError(f"{path}: not a sound file that can be read{_reason(error)}") from None
        self.sample_rate_hz: int = self._file.samplerate
        self.channels: int = self._file.channels
        self.container: str = self._file.format
        self.sample_type: str = self._file.subtype
        frames = self._file.frames
        self.frames_promised: int | None = frames if frames < UNKNOWN_FRAMES else None
        if not LOWEST_RATE_HZ <= self.sample_rate_hz <= highest_rate_hz:
            self._file.close()
            raise AudioError(
                f"{path}: sample rate is {self.sample_rate_hz} Hz; "
                f"it must be {LOWEST_RATE_HZ} to {highest_rate_hz} Hz"
            )

    def _read(self) -> NDArray[np.float64]:
        room = np.empty((BLOCK_FRAMES, self.channels))
        try:
            block: NDArray[np.float64] = self._file.read(out=room)
        except soundfile.LibsndfileError as error:
            raise AudioError(
                f"{self.path}: damaged after {self.duration_s:.1f} s{_reason(error)}"
            ) from None
        return block


def check_readable(path: Path) -> None:
    """Let the system say why a file cannot be read; libsndfile only says "System error".

    Raises
    ------
    AudioError
        If it cannot be read, or is empty.
    """
    try:
        with path.open("rb") as file:
            if not file.read(1):
                raise AudioError(f"{path}: empty file")
    except OSError as error:
        raise AudioError(f"{path}: {error.strerror}") from None


def _reason(error: Exception) -> str:
    """Return libsndfile's own words in brackets, if it has any."""
    words = str(getattr(error, "error_string", "")).removeprefix("Error : ").rstrip(".")
    return f" ({words})" if words else ""


def _needs_stream(path: Path) -> bool:
    """Tell an MP3 file without a table of contents.

    For those libsndfile works the length out from the first frame and stops there, even if the
    bit rate varies; read as a stream they come out whole.
    """
    if path.suffix.lower() != ".mp3":
        return False
    with path.open("rb") as file:
        head = file.read(10)
        if head[:3] == b"ID3":  # its size: four bytes of seven bits (ID3v2.4 section 3.1)
            size = sum((byte & 127) << 7 * place for place, byte in enumerate(head[9:5:-1]))
            file.seek(10 + size)
        else:
            file.seek(0)
        first_frame = file.read(2048)
    return not any(tag in first_frame for tag in (b"Xing", b"Info", b"VBRI"))


def _open_stream(path: Path) -> _Forward:
    """Open a file through a pipe, so that libsndfile cannot know where it ends."""
    reading, writing = os.pipe()

    def feed() -> None:
        with path.open("rb") as file, os.fdopen(writing, "wb") as pipe:
            try:
                while piece := file.read(1 << 16):
                    pipe.write(piece)
            except BrokenPipeError:  # the reader has had enough
                pass

    threading.Thread(target=feed, daemon=True).start()
    return _Forward(reading, closefd=True)
