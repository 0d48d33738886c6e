"""Voices, rigs and masks: by the name of a shipped one or the path of a TOML file."""

import re
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from carrierfloor import presets
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mask import Mask, mask_from_table
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


def mask(name_or_file: str) -> Mask:
    """Return an emission mask.

    Raises
    ------
    SettingError
        Names the file, the place in it and what is wrong.
    """
    return _document("masks", name_or_file, mask_from_table)


def _document(
    what: str, name_or_file: str, read: Callable[[Mapping[str, Any], str], Document]
) -> Document:
    return read(parse(text(what, name_or_file), name_or_file), name_or_file)


def text(what: str, name_or_file: str) -> str:
    """Return the text of one of the ``voices``, ``rigs`` or ``masks``, shipped or a file.

    Raises
    ------
    SettingError
        If there is none.
    """
    if is_file(name_or_file):
        return file_text(Path(name_or_file))
    return presets.text(what, name_or_file)


def is_file(name_or_file: str) -> bool:
    """Tell a path from a shipped name, which holds neither a dot nor a slash."""
    return bool(re.search(r"[./\\~]", name_or_file))


def expanded(path: Path) -> Path:
    """Return a path with the home folder in place of its ``~``.

    Raises
    ------
    SettingError
        If nobody of that name is known here.
    """
    try:
        return path.expanduser()
    except RuntimeError:
        raise SettingError(
            f"{path}: there is no home folder {path.parts[0]}; ~/ is your own"
        ) from None


def file_text(path: Path) -> str:
    """Return the text of a document as it is, line ends included.

    The mark that some editors put before UTF-8 is no part of it.

    Raises
    ------
    SettingError
        If it cannot be read.
    """
    try:
        return expanded(path).read_bytes().decode("utf-8").removeprefix("\ufeff")
    except OSError as error:
        raise SettingError(f"{path}: {error.strerror}") from None
    except UnicodeDecodeError:
        raise SettingError(f"{path}: not a text file in UTF-8; a TOML file is expected") from None


def write_new(path: Path, text: str) -> None:
    """Write a document where nothing is yet, whole or not at all.

    Raises
    ------
    SettingError
        If something is there, or it cannot be written.
    """
    place = expanded(path)
    try:
        with place.open("x", encoding="utf-8", newline="") as file:
            try:
                file.write(text)
                file.flush()
            except BaseException:
                place.unlink()
                raise
    except FileExistsError:
        raise _exists(path) from None
    except OSError as error:
        raise SettingError(f"{path}: cannot be made: {error.strerror}") from None


def refuse_existing(path: Path) -> None:
    """Refuse, before any work, a document that :func:`write_new` could not write.

    Raises
    ------
    SettingError
        If something is there already, or there is no such folder.
    """
    place = expanded(path)
    if place.exists():
        raise _exists(path)
    if not place.parent.is_dir():
        raise SettingError(f"{path}: there is no folder {path.parent}")


def _exists(path: Path) -> SettingError:
    return SettingError(f"{path} exists already; give another name, or move it away")


def parse(text: str, where: str) -> Mapping[str, Any]:
    """Return the content of a TOML document.

    Parameters
    ----------
    text : str
        The document.
    where : str
        Its name, for messages.

    Raises
    ------
    SettingError
        Names the place of a syntax error.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r" \(at (.*)\)$", str(error))
        if place is None:
            raise SettingError(f"{where}: {error}") from None
        reason = str(error)[: place.start()]
        raise SettingError(f"{where}: {place[1]}: {reason}") from None
