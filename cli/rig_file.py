"""Changing a user's rig file: what the user wrote stays, and the file before is kept.

Comments, order, line ends and the table ``[notes]``, which may hold anything, are left alone.  A
file that is no rig any more, or whose content is not exactly what was asked for, is never written.
"""

import os
import re
import stat
from contextlib import suppress
from copy import deepcopy
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from carrierfloor.cli import documents, rig_layout
from carrierfloor.cli.rig_layout import Section, shown
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path import Path as AudioPath
from carrierfloor.dsp.rig import Rig, rig_from_table


@dataclass(frozen=True)
class Change:
    """One thing that becomes another; ``old`` is empty where there was none."""

    what: str
    old: str
    new: str


class RigFile:
    """A rig file of the user's, open for changes that :meth:`save` writes.

    Parameters
    ----------
    file : str
        Its path.
    day : date, optional
        Written beside what is measured; today if left out.

    Attributes
    ----------
    changes : list of Change
        What was changed so far.

    Raises
    ------
    SettingError
        If it ships with carrierfloor, cannot be read or written, or is no rig.
    """

    def __init__(self, file: str, day: date | None = None) -> None:
        if not documents.is_file(file):
            raise SettingError(
                f"rig {file} ships with carrierfloor and is never changed; make a file of your "
                f"own first: carrierfloor rigs copy {file} my-rig.toml"
            )
        self.file, self.changes = file, list[Change]()
        self._day = (day or date.today()).isoformat()
        self._before = documents.file_text(Path(file))
        # The file itself, if the name is a link.
        self._place = documents.expanded(Path(file)).resolve()
        self._content: dict[str, Any] = dict(documents.parse(self._before, file))
        rig_from_table(self._content, file)
        self._check_writable()
        self._document = self._open()

    @property
    def rig(self) -> Rig:
        """The rig with all changes so far."""
        return rig_from_table(self._content, self.file)

    def set(self, table: str, key: str, value: float | str, remark: str = "") -> None:
        """Give a key another value.

        Parameters
        ----------
        table, key : str
            Such as ``level`` and ``polarity``.
        value : float or str
            A number is written with as many digits as its unit is worth.
        remark : str
            Stands behind the value after "measured" and the date, without a semicolon.

        Raises
        ------
        SettingError
            If the rig would not be allowed; then nothing is changed.
        """
        new = rig_layout.rounded(key, value)
        old = self._content.get(table, {}).get(key)
        content = deepcopy(self._content)
        content.setdefault(table, {})[key] = new
        self._take(content)
        rig_layout.set_key(self._document, table, key, new, self._stamp(remark))
        self._note(f"{table}.{key}", shown(old), shown(new))

    def set_path(self, path: AudioPath, remark: str = "") -> None:
        """Put a path in the place of the one of the same name, or behind all others.

        Parameters
        ----------
        path : Path
            Its sections are written with five digits.
        remark : str
            As in :meth:`set`, behind the name.

        Raises
        ------
        SettingError
            If the rig would not be allowed, or two of its paths have that name.
        """
        names = [one.name for one in self.rig.paths]
        if names.count(path.name) > 1:
            raise SettingError(
                f"{self.file}: {names.count(path.name)} paths are named {path.name!r}; give each "
                "a name of its own"
            )
        number = names.index(path.name) if path.name in names else None
        sections = rig_layout.section_tables(path.sections)
        content = deepcopy(self._content)
        old = _put_path(content, number, path.name, sections)
        self._take(content)
        stamp = self._stamp(remark)
        try:
            rig_layout.set_path(self._document, number, path.name, sections, stamp)
        except SettingError as error:
            raise SettingError(f"{self.file}: {error}") from None
        before = "" if old is None else rig_layout.in_words(old)
        self._note(f"path {path.name}", before, rig_layout.in_words(sections))

    def check(self) -> None:
        """Refuse what :meth:`save` could not write.

        Raises
        ------
        SettingError
            If the text cannot be changed so.
        """
        self._text()

    def save(self) -> Path | None:
        """Write the file, whole or not at all, and keep the one before.

        Returns
        -------
        Path or None
            The backup, beside the file: its name with a number.  ``None`` if nothing has changed.

        Raises
        ------
        SettingError
            If it cannot be written, or was changed by somebody else meanwhile.
        """
        text = self._text()
        if text == self._before:
            return None
        if documents.file_text(self._place) != self._before:
            raise SettingError(f"{self.file} was changed by somebody else meanwhile; try again")
        try:
            backup = self._back_up()
            self._write(text)
        except OSError as error:
            raise SettingError(f"{self.file}: cannot be written: {error.strerror}") from None
        self._before = text
        named = Path(self.file)  # as the user names it, unless that is a link somewhere else
        return backup if named.is_symlink() else named.with_name(backup.name)

    def _stamp(self, remark: str) -> str:
        return f"measured {self._day}" + (f", {remark}" if remark else "")

    def _note(self, what: str, old: str, new: str) -> None:
        """Keep a change; of several of the same thing only what it was and what it became."""
        earlier = [change for change in self.changes if change.what == what]
        self.changes = [change for change in self.changes if change.what != what]
        old = earlier[0].old if earlier else old
        if old != new:
            self.changes.append(Change(what, old, new))

    def _take(self, content: dict[str, Any]) -> None:
        rig_from_table(content, self.file)
        self._content = content

    def _check_writable(self) -> None:
        for place in (self._place, self._place.parent):
            if not os.access(place, os.W_OK):
                raise SettingError(f"{self.file}: cannot be changed: {place} is write-protected")

    def _open(self) -> tomlkit.TOMLDocument:
        text = self._before
        # A file with one kind of line ends gets no other kind.
        self._crlf = "\n" in text and text.count("\n") == text.count("\r\n")
        if self._crlf:
            text = text.replace("\r\n", "\n")
        try:
            document = tomlkit.parse(text)
        except TOMLKitError as error:
            raise SettingError(f"{self.file}: cannot be changed: {error}") from None
        if tomlkit.dumps(document) != text:
            raise SettingError(
                f"{self.file}: cannot be changed without moving its tables; write all [[paths]] "
                "one behind the other"
            )
        return document

    def _text(self) -> str:
        """Return the new text, which must hold what was asked for and nothing else."""
        text = tomlkit.dumps(self._document)
        if not self._before.endswith(("\n\n", "\r\n\r\n")):
            text = text.rstrip("\n") + "\n"
        if self._crlf:
            text = text.replace("\n", "\r\n")
        try:
            same = documents.parse(text, self.file) == self._content
        except SettingError:
            same = False
        if not same:
            wanted = "; ".join(f"{change.what} = {change.new}" for change in self.changes)
            raise SettingError(
                f"{self.file} is laid out in a way that cannot be changed safely; head its tables "
                f"[level], [[paths]] and so on, or write it yourself: {wanted}"
            )
        return text

    def _back_up(self) -> Path:
        """Keep the file as it is under the next number."""
        place = self._place
        number = 1 + max(_backup_numbers(place), default=0)
        backup = place.with_name(f"{place.stem}.backup-{number}{place.suffix}")
        _write_new(backup, place.read_bytes(), place.stat())
        return backup

    def _write(self, text: str) -> None:
        part = self._place.with_name(f".{self._place.name}.{os.getpid()}.part")
        try:
            _write_new(part, text.encode("utf-8"), self._place.stat())
            os.replace(part, self._place)
        finally:
            with suppress(OSError):
                part.unlink()


def _put_path(
    content: dict[str, Any], number: int | None, name: str, sections: list[Section]
) -> list[Section] | None:
    """Change the plain content; return the sections before, if there were any."""
    paths = content.setdefault("paths", [])
    if number is None:
        number = len(paths)
        paths.append({})
    old: list[Section] | None = paths[number].pop("sections", [] if paths[number] else None)
    paths[number] |= {"name": name} | ({"sections": sections} if sections else {})
    return old


def _backup_numbers(place: Path) -> list[int]:
    """Return the numbers of all backups of a file."""
    name = re.compile(re.escape(place.stem) + r"\.backup-(\d+)" + re.escape(place.suffix))
    found = [name.fullmatch(file.name) for file in place.parent.iterdir()]
    return [int(match[1]) for match in found if match]


def _write_new(path: Path, content: bytes, like: os.stat_result) -> None:
    """Write a new file with the rights of another; leave nothing of one that is not whole."""
    with path.open("xb") as file:
        try:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
            os.chmod(path, stat.S_IMODE(like.st_mode))
        except BaseException:
            path.unlink()
            raise
