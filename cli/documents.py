"""Voices and rigs: by the name of a shipped one or the path of a TOML file."""

import re
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from carrierfloor import presets
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rig import Rig, rig_from_table
from carrierfloor.dsp.voice import Voice, voice_from_table

Document = TypeVar("Document")


def voice(name_or_file: str | None = None) -> Voice:
    """Return a voice; ``None`` means the default one.

    Raises
    ------
    SettingError
        Names the file, the place in it and what is wrong.
    """
    return _document("voices", name_or_file or presets.DEFAULT_VOICE, voice_from_table)


def rig(name_or_file: str | None = None) -> Rig:
    """Return a rig; ``None`` means the default one.

    Raises
    ------
    SettingError
        Names the file, the place in it and what is wrong.
    """
    return _document("rigs", name_or_file or presets.DEFAULT_RIG, rig_from_table)


def _document(
    what: str, name_or_file: str, read: Callable[[Mapping[str, Any], str], Document]
) -> Document:
    if is_file(name_or_file):
        return read(_parse(_file_text(Path(name_or_file)), name_or_file), name_or_file)
    return read(_parse(presets.text(what, name_or_file), name_or_file), name_or_file)


def is_file(name_or_file: str) -> bool:
    """Tell a path from a shipped name, which holds neither a dot nor a slash."""
    return bool(re.search(r"[./\\~]", name_or_file))


def _file_text(path: Path) -> str:
    try:
        return path.expanduser().read_bytes().decode("utf-8")
    except OSError as error:
        raise SettingError(f"{path}: {error.strerror}") from None
    except UnicodeDecodeError:
        raise SettingError(f"{path}: not a text file in UTF-8; a TOML file is expected") from None


def _parse(text: str, where: str) -> Mapping[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r" \(at (.*)\)$", str(error))
        if place is None:
            raise SettingError(f"{where}: {error}") from None
        reason = str(error)[: place.start()]
        raise SettingError(f"{where}: {place[1]}: {reason}") from None
