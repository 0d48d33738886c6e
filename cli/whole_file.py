"""Files that are written whole or not at all."""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from carrierfloor.dsp.errors import SettingError


@contextmanager
def beside(path: Path) -> Iterator[Path]:
    """Give the name of a file that takes the place of another at the end, or goes."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield part
        os.replace(part, path)
    finally:
        with suppress(OSError):
            part.unlink()


def check_place(option: str, path: Path, endings: Sequence[str]) -> None:
    """Refuse, before any work, a file that could not be saved.

    Parameters
    ----------
    option : str
        Which option names it.
    path : Path
        The file; it may be there already.
    endings : sequence of str
        Those allowed.

    Raises
    ------
    SettingError
        If it ends otherwise or its folder cannot be written to.
    """
    if path.suffix.lower() not in endings:
        raise SettingError(f"{option} {path}: the ending must be {' or '.join(endings)}")
    if not path.parent.is_dir():
        raise SettingError(f"{option} {path}: there is no folder {path.parent}")
    if path.is_dir() or not os.access(path.parent, os.W_OK):
        raise SettingError(f"{option} {path}: cannot write there")


def check_folder(option: str, folder: Path) -> None:
    """Refuse, before any work, a folder that files could not be written into; make none.

    Parameters
    ----------
    option : str
        Which option names it.
    folder : Path
        It may be there already; those above it may be missing too.

    Raises
    ------
    SettingError
        If there is a file in the way, or the first folder that is there cannot be written to.
    """
    there = next(path for path in (folder.absolute(), *folder.absolute().parents) if path.exists())
    if not there.is_dir():
        raise SettingError(f"{option} {folder}: {there} is a file; give a folder, there or new")
    if not os.access(there, os.W_OK | os.X_OK):
        raise SettingError(f"{option} {folder}: cannot write to {there}")
