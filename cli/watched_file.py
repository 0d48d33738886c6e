"""Notice that a document has been changed on disk."""

from pathlib import Path

from carrierfloor.cli.documents import expanded, is_file

# What tells one state of a file from another: time of change, size, and which file it is.
State = tuple[int, int, int]


class WatchedFile:
    """A file that is looked at now and then, for being changed by an editor.

    Editors write in many ways: into the file itself, in several pieces; into another that takes
    its name; or they delete it first.  So a change counts once the file is there and has been the
    same for two looks.  A time stamp may be as coarse as two seconds (FAT); a change within it
    that keeps the size is missed there.

    Parameters
    ----------
    name_or_file : str
        The path of a document, which is read afterwards; or the name of a shipped one, which never
        changes.
    """

    def __init__(self, name_or_file: str) -> None:
        self._path = expanded(Path(name_or_file)) if is_file(name_or_file) else None
        self._reported = self._last = self._state()

    def changed(self) -> bool:
        """Look; return whether it has been changed since it was last said to be.

        Call it about twice a second.
        """
        before, self._last = self._last, self._state()
        if self._last is None or self._last != before or self._last == self._reported:
            return False
        self._reported = self._last
        return True

    def _state(self) -> State | None:
        """Return the state; ``None`` if there is no such file now."""
        if self._path is None:
            return None
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_size, found.st_ino
