"""The reference of ``check``: what the sound card played, found in a recording."""

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from carrierfloor.cli.phrase_in import at_48_khz
from carrierfloor.dsp.antenna import FLAT, Antenna
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.reference_match import find_in
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.simulation import chosen_path
from carrierfloor.dsp.stored_signal import Stored, StoredArray
from carrierfloor.dsp.time_map import TimeMap

TAIL_SAMPLES = 24_000  # of the path's ringing after the end


@dataclass(frozen=True)
class Reference:
    """What was played, and where it is in the recording.

    Parameters
    ----------
    file : Path
        Of the audio.
    path : str
        Name of the path through which ``expected`` went.
    audio, expected : Stored
        In modulation of the rig, 1.0 = 100 %: the sound card's samples, and what the path makes
        of them.
    time_map : TimeMap
        From the recording to both.
    has_path : bool
        Whether the path does anything.
    """

    file: Path
    path: str
    audio: Stored
    expected: Stored
    time_map: TimeMap
    has_path: bool


class ReferenceFolder:
    """A folder of temporary files for the reference; use it in a ``with`` statement."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="carrierfloor-")

    def __enter__(self) -> "ReferenceFolder":
        return self

    def __exit__(self, *_: object) -> None:
        self._folder.cleanup()

    def read(self, file: Path, heard: Stored, rig: Rig | None, path: str | None) -> Reference:
        """Read a reference and find it in what was heard.

        Parameters
        ----------
        file : Path
            A sound file: what the sound card played.
        heard : Stored
            The received modulation, or a detector's voltage.
        rig : Rig, optional
            Its level, polarity and path; without one the audio is taken as it is.
        path : str, optional
            Which of its paths; the first.

        Raises
        ------
        CarrierfloorError
            If it cannot be read or is not in the recording.
        """
        chosen = FLAT if rig is None else chosen_path(rig, path)
        full = rig.level.sample_at_full_modulation if rig is not None else 1.0
        raw_file, path_file = (Path(self._folder.name) / name for name in ("audio", "expected"))
        antenna = Antenna(chosen, full)
        with raw_file.open("wb") as raw, path_file.open("wb") as through:
            for block in at_48_khz(file):
                raw.write((block / full).astype(np.float32).tobytes())
                through.write(antenna.process(block).astype(np.float32).tobytes())
            through.write(antenna.finish(TAIL_SAMPLES).astype(np.float32).tobytes())
        audio, expected = _mapped(raw_file), _mapped(path_file)
        try:
            time_map = find_in(heard, expected)
        except AudioError as error:
            raise AudioError(f"{file}: {error}") from None
        return Reference(file, chosen.name, audio, expected, time_map, bool(chosen.sections))


def _mapped(file: Path) -> StoredArray:
    return StoredArray(np.memmap(file, dtype=np.float32, mode="r"))
