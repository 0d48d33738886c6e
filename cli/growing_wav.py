"""A WAV file that is whole at every moment, for what may be cut off without warning.

libsndfile writes the length into the header when a file is closed; here it follows every piece.
The header is 44 bytes in one write behind the samples it counts, so whatever happens to this
process in between, a reader finds a valid file (the format: Microsoft and IBM, "Multimedia
Programming Interface and Data Specifications 1.0", 1991).
"""

import struct
from contextlib import suppress
from pathlib import Path

from carrierfloor.cli.audio_out import WAV_LARGEST_BYTES
from carrierfloor.dsp.errors import AudioError

HEADER = struct.Struct("<4sI4s 4sIHHIIHH 4sI")
INTEGER_SAMPLES = 1  # WAVE_FORMAT_PCM
BYTES = 3  # of a sample


class GrowingWav:
    """A new 24-bit WAV file.

    Parameters
    ----------
    path : Path
        Where; nothing may be there yet.
    channels, sample_rate_hz : int
        Of the samples to come.
    largest_bytes : int
        The size that it may grow to.

    Attributes
    ----------
    frames : int
        Frames in it, one sample of each channel.

    Raises
    ------
    AudioError
        If it exists already or cannot be made.
    """

    def __init__(
        self,
        path: Path,
        *,
        channels: int,
        sample_rate_hz: int,
        largest_bytes: int = WAV_LARGEST_BYTES,
    ) -> None:
        self.path, self.frames = path, 0
        self.frame_bytes = BYTES * channels
        self._channels, self._rate_hz = channels, sample_rate_hz
        self._most_frames = (largest_bytes - HEADER.size) // self.frame_bytes
        try:
            self._file = path.open("xb", buffering=0)
        except FileExistsError:
            raise AudioError(f"{path} exists already; give another name, or move it away") from None
        except OSError as error:
            if not path.parent.is_dir():
                raise AudioError(f"{path}: there is no folder {path.parent}") from None
            raise AudioError(f"{path}: cannot be made: {error.strerror}") from None
        try:
            self._write(self._header())
        except OSError as error:
            self.close()
            raise AudioError(f"{path}: cannot be written: {error.strerror}") from None

    @property
    def room_frames(self) -> int:
        """How many frames it can still take."""
        return self._most_frames - self.frames

    def append(self, data: memoryview) -> None:
        """Append whole frames, at most ``room_frames`` of them.

        Parameters
        ----------
        data : memoryview of bytes
            Samples of 24 bits, low byte first, the channels in turn.

        Raises
        ------
        OSError
            If the system does not take them all; the file is then as it was before.
        """
        end = HEADER.size + self.frames * self.frame_bytes
        try:
            self._write(data)
        except OSError:
            with suppress(OSError):
                self._file.truncate(end)
            raise
        self.frames += len(data) // self.frame_bytes
        self._file.seek(0)
        self._write(self._header())
        self._file.seek(0, 2)

    def close(self) -> None:
        """Close it; a file without samples is taken away again."""
        self._file.close()
        if not self.frames:
            with suppress(OSError):
                self.path.unlink()

    def _write(self, data: bytes | memoryview) -> None:
        """Write all; a nearly full disk takes a part first and refuses the next."""
        rest = memoryview(data)
        while rest:
            rest = rest[self._file.write(rest) :]

    def _header(self) -> bytes:
        size = self.frames * self.frame_bytes
        return HEADER.pack(
            *(b"RIFF", HEADER.size - 8 + size, b"WAVE"),
            *(b"fmt ", 16, INTEGER_SAMPLES, self._channels, self._rate_hz),
            *(self._rate_hz * self.frame_bytes, self.frame_bytes, 8 * BYTES),
            *(b"data", size),
        )
