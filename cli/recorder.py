"""The recording of a live session: microphone and sound card, side by side in one file."""

import threading
from pathlib import Path
from queue import SimpleQueue

import numpy as np

from carrierfloor.cli.audio_out import WAV_LARGEST_BYTES
from carrierfloor.cli.growing_wav import GrowingWav
from carrierfloor.dsp.desk_reader import Stretch
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.sample_format import Quantiser, SampleFormat
from carrierfloor.dsp.stage import Block

SAMPLES = SampleFormat(name="PCM_24")
CHANNELS = 2
PATIENCE_S = 30.0  # so much may wait for a slow disk; what comes then is lost
CLOSING_S = 10.0  # patience for a disk that does not take the rest
Piece = tuple[int, Block, Block]  # samples of silence ahead of it, microphone, sound card


class Recorder:
    """Record a live session on a thread of its own, so that a slow disk holds nothing up.

    Left is the microphone as it comes in, right what the sound card gets, as it is heard: right is
    later than left by the desk's latency, which changes with the voice.  What is beyond full scale
    is stored as full scale.  Missing samples are stored as silence, so that the time stays right.

    The file is valid at every moment, up to the last tenth of a second, even if this process is
    killed.  One that has grown as large as a WAV file can be is followed by ``name-2.wav`` (or the
    next free number) without a gap.

    Parameters
    ----------
    path : Path
        A new .wav file.  It is made at once, and taken away again if nothing comes.
    sample_rate_hz : int
        Of the samples to come.
    largest_bytes : int
        The size at which the next file is begun.

    Attributes
    ----------
    files : list of Path
        The files so far; the last is the one being written.
    failed : str or None
        Why the recording has ended early, on one line.

    Raises
    ------
    SettingError
        If the name does not end in .wav.
    AudioError
        If the file exists already or cannot be made.
    """

    def __init__(
        self,
        path: Path,
        sample_rate_hz: int = 48_000,
        *,
        largest_bytes: int = WAV_LARGEST_BYTES,
    ) -> None:
        if path.suffix.lower() != ".wav":
            raise SettingError(f"{path}: a recording must end in .wav")
        self.files: list[Path] = []
        self.failed: str | None = None
        self._first, self._rate_hz, self._largest_bytes = path, sample_rate_hz, largest_bytes
        self._file = self._begin(path)
        self._quantiser = Quantiser(SAMPLES)
        self._handed = self._written = 0  # samples; the first counts here, the other in the thread
        self._lost, self._missing = 0, 0  # in all, and not yet handed over as silence
        self._queue: SimpleQueue[Piece | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="recorder", daemon=True)
        self._thread.start()

    @property
    def seconds(self) -> float:
        """How much is in the files."""
        return self._written / self._rate_hz

    @property
    def lost_s(self) -> float:
        """How much of that is silence in place of what is lost."""
        return self._lost / self._rate_hz

    @property
    def clipped_samples(self) -> int:
        """Samples beyond full scale so far."""
        return self._quantiser.clipped_samples

    def write(self, stretch: Stretch) -> None:
        """Take the next stretch; this never waits."""
        if self.failed:
            return
        self._lose(stretch.lost_samples)
        if self._handed - self._written > PATIENCE_S * self._rate_hz:
            self._lose(len(stretch.raw))
        else:
            self._hand_over(stretch.raw, stretch.card)

    def close(self) -> None:
        """Write what is left and finish the file."""
        self._hand_over(np.zeros(0), np.zeros(0))
        self._queue.put(None)
        self._thread.join(CLOSING_S)
        if self._thread.is_alive() and not self.failed:
            self.failed = f"{self.files[-1]}: the disk does not take the last of the recording"

    def _lose(self, samples: int) -> None:
        self._lost += samples
        self._missing += samples

    def _hand_over(self, raw: Block, card: Block) -> None:
        self._handed += self._missing + len(raw)
        self._queue.put((self._missing, raw, card))
        self._missing = 0

    # On the thread.

    def _work(self) -> None:
        try:
            while (piece := self._queue.get()) is not None:
                self._store(*piece)
        except OSError as error:
            self._fail(str(error.strerror))
        except AudioError as error:
            self._fail(str(error))
        finally:
            self._file.close()

    def _fail(self, reason: str) -> None:
        self.failed = f"{self.files[-1]}: recording ended after {self.seconds:.0f} s: {reason}"

    def _store(self, silence: int, raw: Block, card: Block) -> None:
        while silence > 0:
            quiet = np.zeros(min(silence, self._rate_hz))
            self._append(quiet, quiet)
            silence -= len(quiet)
        self._append(raw, card)

    def _append(self, raw: Block, card: Block) -> None:
        """Append samples, in as many files as they need."""
        stored = self._quantiser.process(np.column_stack((raw, card)).ravel())
        # The sample is in the three highest bytes.
        rest = memoryview(stored.astype("<i4").view(np.uint8).reshape(-1, 4)[:, 1:].tobytes())
        while rest:
            if not self._file.room_frames:
                self._begin_next()
            size = min(len(rest), self._file.room_frames * self._file.frame_bytes)
            self._file.append(rest[:size])
            self._written += size // self._file.frame_bytes
            rest = rest[size:]

    def _begin_next(self) -> None:
        self._file.close()
        number = len(self.files) + 1
        while (path := self._numbered(number)).exists():
            number += 1
        self._file = self._begin(path)

    def _numbered(self, number: int) -> Path:
        return self._first.with_stem(f"{self._first.stem}-{number}")

    def _begin(self, path: Path) -> GrowingWav:
        file = GrowingWav(
            path,
            channels=CHANNELS,
            sample_rate_hz=self._rate_hz,
            largest_bytes=self._largest_bytes,
        )
        self.files.append(path)
        return file
