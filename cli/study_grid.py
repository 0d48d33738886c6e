"""The grid of a study: every setting on every phrase, each cell known by its contents."""

import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from importlib.metadata import version
from pathlib import Path

import numpy as np

from carrierfloor import presets
from carrierfloor.cli import documents, screen
from carrierfloor.cli.phrase_in import read_phrase
from carrierfloor.dsp import intelligibility_trial
from carrierfloor.dsp.drive import DriveDesign
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.intelligibility import HIGHEST_CN_DB, LOWEST_CN_DB
from carrierfloor.dsp.kernel import source_digest
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.voice import Voice

UNPROCESSED = "unprocessed"  # the name of speech that is merely scaled to the limit
KEY_DIGITS = 16


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What the command line asks for; ``None``: the default one, the voice's own drive."""

    phrases: tuple[Path, ...]
    voices: tuple[str, ...] | None = None
    drives_db: tuple[float, ...] | None = None
    rigs: tuple[str, ...] | None = None
    ratios_db: tuple[float, ...]


@dataclass(frozen=True)
class Setting:
    """A voice with its drive on a rig."""

    voice_name: str  # as given, or UNPROCESSED
    voice: Voice | None
    drive_db: float | None  # None without a drive stage
    rig_name: str  # as given
    rig: Rig

    @property
    def contents(self) -> str:
        """All that decides what becomes of the speech, in one text."""
        rig = (self.rig.modulation, self.rig.level, self.rig.equalise, self.rig.paths)
        return repr((self.voice and self.voice.stages, rig))


@dataclass(frozen=True)
class Phrase:
    """What is said."""

    name: str  # of its file, as given
    samples: Block  # at 48 kHz

    @cached_property
    def digest(self) -> str:
        """Of its samples."""
        return hashlib.sha256(np.ascontiguousarray(self.samples).tobytes()).hexdigest()


@dataclass(frozen=True)
class Cell:
    """One setting on one phrase, with everything that a process elsewhere needs to try it."""

    key: str  # digest of the setting's contents, the samples and the code
    reference: str  # key of the same phrase and rig, unprocessed
    setting: Setting
    phrase: Phrase
    ratios_db: tuple[float, ...]

    @property
    def name(self) -> str:
        """What it is called where it fails."""
        setting = self.setting
        drive = "" if setting.drive_db is None else f" at {setting.drive_db:g} dB"
        return f"{self.phrase.name}, {setting.voice_name}{drive}, {setting.rig_name}"


@cache
def code_version() -> str:
    """Return the version of what computes a cell: of the package, and a digest of its source."""
    file = Path(intelligibility_trial.__file__)
    return f"{version('carrierfloor')}+{source_digest(file)[:8]}"


def grid_of(choice: Choice) -> list[Cell]:
    """Return the cells of a grid, the unprocessed phrases first; the same one twice is one.

    Raises
    ------
    CarrierfloorError
        If a number is out of range, or a document or a phrase cannot be used.
    """
    _check_ratios(choice.ratios_db)
    ratios_db = tuple(dict.fromkeys(choice.ratios_db))
    settings = list(_settings(choice))
    phrases = [_phrase(file) for file in choice.phrases]
    cells: dict[str, Cell] = {}
    for setting in settings:
        bare = replace(setting, voice=None)
        for phrase in phrases:
            key = _key(setting, phrase)
            cell = Cell(key, _key(bare, phrase), setting, phrase, ratios_db)
            cells.setdefault(key, cell)
    twice = len(settings) * len(phrases) - len(cells)
    if twice:
        screen.remarks().print(f"{twice} cells hold what others hold; those are tried once.")
    return list(cells.values())


def _check_ratios(ratios_db: Sequence[float]) -> None:
    for ratio_db in ratios_db:
        if not LOWEST_CN_DB <= ratio_db <= HIGHEST_CN_DB:
            raise SettingError(
                f"--carrier-to-noise is {ratio_db:g} dB; it must be {LOWEST_CN_DB:g} to "
                f"{HIGHEST_CN_DB:g} dB in 10 kHz of RF"
            )


def _settings(choice: Choice) -> Iterator[Setting]:
    """Yield all settings, those without processing first."""
    names = choice.rigs or (presets.DEFAULT_RIG,)
    rigs = {name: documents.rig(name) for name in dict.fromkeys(names)}
    voices = list(_voices(choice))
    for name, rig in rigs.items():
        yield Setting(UNPROCESSED, None, None, name, rig)
    for name, rig in rigs.items():
        for voice_name, voice in voices:
            yield Setting(voice_name, voice, _drive_db(voice), name, rig)


def _voices(choice: Choice) -> Iterator[tuple[str, Voice]]:
    """Yield every voice with every drive."""
    for name in dict.fromkeys(choice.voices or (presets.DEFAULT_VOICE,)):
        voice = documents.voice(name)
        if choice.drives_db is None:
            yield name, voice
        elif _drive_db(voice) is None:
            screen.remarks().print(f"{name} has no drive stage; it is tried once.")
            yield name, voice
        else:
            for drive_db in choice.drives_db:
                yield name, _driven(voice, drive_db)


def _driven(voice: Voice, drive_db: float) -> Voice:
    if not math.isfinite(drive_db):
        raise SettingError(f"--drives: {drive_db:g} is no drive in dB")
    try:
        return voice.with_drive(drive_db)
    except SettingError as error:
        raise SettingError(f"--drives: {error}") from None


def _drive_db(voice: Voice) -> float | None:
    drives = [stage.drive_db for stage in voice.stages if isinstance(stage, DriveDesign)]
    return drives[-1] if drives else None


def _phrase(file: Path) -> Phrase:
    """Read a phrase and see whether it can be scored."""
    samples = read_phrase(file)
    try:
        intelligibility_trial.check_speech(samples)
    except AudioError as error:
        raise AudioError(f"{file}: {error}") from None
    return Phrase(str(file), samples)


def _key(setting: Setting, phrase: Phrase) -> str:
    text = "\0".join((code_version(), setting.contents, phrase.digest))
    return hashlib.sha256(text.encode()).hexdigest()[:KEY_DIGITS]
