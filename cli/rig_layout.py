"""How a rig file is laid out: numbers, comments and tables inside its text.

tomlkit keeps all that a TOML document holds besides its values; this says where a changed value,
and what was written about the one before, goes.
"""

import re
from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.items import AoT, Comment, InlineTable, Item, Key, Table, Trivia, Whitespace

from carrierfloor.dsp import sections
from carrierfloor.dsp.errors import SettingError

Section = dict[str, Any]  # as in a rig file: kind, corner_hz, ...
SECTION_KEYS = ("kind", "corner_hz", "centre_hz", "gain_db", "q")
STAMP = re.compile(r"measured \d{4}-\d\d-\d\d(, [^;]*)?")  # as written by an earlier measurement
COMMENT = re.compile(r"#.*")
# Decimals worth writing, by the unit at the end of a key: 0.001 dB is 0.012 %.
DECIMALS = {"_dbfs": 3, "_db": 3, "_pct": 2}
DIGITS = 5  # of all other numbers
Body = list[tuple[Key | None, Item]]


def rounded(key: str, value: float | str) -> float | str:
    """Return a number with the digits that its unit is worth."""
    if isinstance(value, str):
        return value
    for ending, decimals in DECIMALS.items():
        if key.endswith(ending):
            return round(float(value), decimals) + 0.0  # no -0.0
    return float(f"{value:.{DIGITS}g}")


def shown(value: Any) -> str:
    """Return a value for the eye; nothing for none."""
    return f"{value:g}" if isinstance(value, (int, float)) else str(value or "")


def section_tables(found: Sequence[sections.Section]) -> list[Section]:
    """Return sections as a rig file holds them."""
    return [
        {
            key: rounded(key, value)
            for key in SECTION_KEYS
            if (value := getattr(section, key)) is not None
        }
        for section in found
    ]


def in_words(found: Sequence[Mapping[str, Any]]) -> str:
    """Return sections on one line."""
    return ", ".join(_section_in_words(section) for section in found) or "flat"


def _section_in_words(section: Mapping[str, Any]) -> str:
    words = [section["kind"], f"{section.get('corner_hz', section.get('centre_hz')):g} Hz"]
    if "gain_db" in section:
        words.append(f"{section['gain_db']:+g} dB")
    if "q" in section:
        words.append(f"q {section['q']:g}")
    return " ".join(words)


def set_key(
    document: tomlkit.TOMLDocument, table: str, key: str, value: float | str, stamp: str
) -> None:
    """Set a key, and stamp it unless it stands in a table on one line."""
    if table not in document:
        _end_document(document)
        made = tomlkit.table()
        document.append(table, made)
        made.trivia.indent = ""  # append() may begin it with one more line
    holder: Any = document[table]
    holder[key] = value
    if not isinstance(holder, InlineTable):
        _stamp(holder[key], stamp)


def set_path(
    document: tomlkit.TOMLDocument,
    number: int | None,
    name: str,
    found: Sequence[Section],
    stamp: str,
) -> None:
    """Write a path: in the place of the one of this number from 0, or behind all others."""
    made = _path(name, found)
    if "paths" in document and not document["paths"]:  # paths = []
        document.remove("paths")
    if "paths" not in document:
        _end_document(document)
        document.append("paths", tomlkit.aot())
    paths: Any = document["paths"]
    if not isinstance(paths, AoT):
        raise SettingError("paths is written on one line; head each path with [[paths]] instead")
    if number is None:
        _stamp(made["name"], stamp)
        if len(paths):
            _end_path(paths[-1])
        _end_path(made)
        paths.append(made)
        made.trivia.indent = ""  # where append() puts one more line
    else:
        _replace_sections(paths[number], made, name, stamp)


def _replace_sections(path: Table, made: Table, name: str, stamp: str) -> None:
    """Give a path other sections.

    What was written about the old ones goes above the new ones; what stands behind the path,
    mostly about what comes next, stays there.
    """
    behind: Body = []
    comments: list[str] = []
    if "sections" in path:
        behind = _behind(path["sections"])
        text = tomlkit.dumps({"sections": path["sections"]})
        comments = COMMENT.findall(text)  # no text in a section holds a #
        comments = comments[: len(comments) - sum(isinstance(item, Comment) for _, item in behind)]
        path.remove("sections")
    if "name" not in path:
        path["name"] = name
    _stamp(path["name"], stamp)
    for comment in comments:
        path.add(tomlkit.comment(comment.removeprefix("#").strip()))
    if "sections" in made:
        path.append("sections", made["sections"])
    if not behind or not isinstance(behind[0][1], Whitespace):
        _end_path(path)
    for _, item in behind:
        _last_table(path).value.append(None, item)  # add() would indent it


def _last_table(path: Table) -> Table:
    """Return what ends a path: its last section, or itself."""
    sections: Any = path.get("sections")
    last: Table = sections[-1] if sections else path
    return last


def _behind(old: Any) -> Body:
    """Return the blank line behind the last section and all that follows it."""
    if not isinstance(old, AoT) or not len(old):
        return []
    body: Body = old[-1].value.body
    ends = [at for at, (key, _) in enumerate(body) if key is not None]
    rest = body[ends[-1] + 1 :]
    blank = [at for at, (_, item) in enumerate(rest) if isinstance(item, Whitespace)]
    return rest[blank[0] :] if blank else []


def _path(name: str, found: Sequence[Section]) -> Table:
    """Return a path laid out as the shipped rigs are."""
    text = "[[paths]]\nname = 0\n"
    for section in found:
        lines = [f"  {key} = {tomlkit.item(value).as_string()}\n" for key, value in section.items()]
        text += "\n  [[paths.sections]]\n" + "".join(lines)
    paths: Any = tomlkit.parse(text)["paths"]
    path: Table = paths[0]
    path["name"] = name
    return path


def _stamp(item: Any, stamp: str) -> None:
    """Write when something was measured behind it, beside what else stands there."""
    trivia: Trivia = item.trivia
    said = trivia.comment.removeprefix("#").strip()
    if STAMP.search(said):
        said = STAMP.sub(lambda _: stamp, said, count=1)
    else:
        said = f"{said}; {stamp}" if said else stamp
    trivia.comment_ws = trivia.comment_ws or "  "
    trivia.comment = f"# {said}"


def _end_path(path: Table) -> None:
    """See that a blank line follows."""
    if not path.as_string().endswith("\n\n"):
        _last_table(path).value.append(None, tomlkit.nl())


def _end_document(document: tomlkit.TOMLDocument) -> None:
    """See that the next table begins behind a blank line."""
    text = document.as_string()
    for _ in range(2 - text.endswith("\n") - text.endswith("\n\n")):
        document.add(tomlkit.nl())
