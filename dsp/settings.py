"""Checked settings: every key of a voice or rig file, with its unit, range and effect.

A design is a frozen dataclass whose fields are made by :func:`setting`.  The same description
checks a TOML table, an option and a call from Python, and prints the table of keys.
"""

import dataclasses
import difflib
import math
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field
from typing import Any, TypeVar

from carrierfloor.dsp.errors import SettingError

T = TypeVar("T")


@dataclass(frozen=True)
class Rule:
    """What one setting may be."""

    effect: str  # what it does, for the table of keys
    unit: str = ""
    low: float = -math.inf  # lowest allowed number
    high: float = math.inf  # highest allowed number
    choices: tuple[str, ...] = ()  # allowed words; empty: a number or free text

    @property
    def allowed(self) -> str:
        """The allowed values in words."""
        if self.choices:
            return ", ".join(self.choices)
        unit = f" {self.unit}" if self.unit else ""
        if math.isinf(self.low) and math.isinf(self.high):
            return f"any number{unit}"
        return f"{self.low:.10g} to {self.high:.10g}{unit}"


def setting(default: Any = MISSING, **rule: Any) -> Any:
    """Declare one field of a design; ``rule`` holds the fields of :class:`Rule`."""
    return field(default=default, metadata={"rule": Rule(**rule)})


def rule_of(item: "dataclasses.Field[Any]") -> Rule:
    """Return the rule of a field made by :func:`setting`."""
    rule = item.metadata["rule"]
    assert isinstance(rule, Rule)
    return rule


def check(design: object, where: str = "") -> None:
    """Refuse a design with a value outside its rule.

    Parameters
    ----------
    design : dataclass instance
        Its fields made by :func:`setting` are checked; ``None`` passes where it is the default.
    where : str
        File and table to name in the message.

    Raises
    ------
    SettingError
        Names the key, the value and what is allowed.
    """
    for item in dataclasses.fields(design):  # type: ignore[arg-type]
        if "rule" in item.metadata:
            _check_value(getattr(design, item.name), item, where)


def _check_value(value: Any, item: "dataclasses.Field[Any]", where: str) -> None:
    rule, key = rule_of(item), _key(item.name, where)
    if value is None and item.default is None:
        return
    expected = _expected_type(item)
    if expected is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if type(value) is not expected:
        if expected is bool:
            raise SettingError(f"{key} is {value!r}; it must be true or false")
        raise SettingError(
            f"{key} is {value!r}; it must be {_TYPE_WORDS[expected]} ({rule.allowed})"
            if expected is not str or rule.choices
            else f"{key} is {value!r}; it must be text in quotes"
        )
    if rule.choices and value not in rule.choices:
        raise SettingError(f"{key} is {value!r}; it must be one of: {rule.allowed}")
    if isinstance(value, (float, int)) and not rule.low <= value <= rule.high:  # refuses NaN too
        unit = f" {rule.unit}" if rule.unit else ""
        raise SettingError(f"{key} is {value:g}{unit}; it must be {rule.allowed}")


_TYPE_WORDS = {float: "a number", int: "a whole number", str: "a word"}


def _expected_type(item: "dataclasses.Field[Any]") -> type:
    words = {"float": float, "int": int, "bool": bool, "str": str}
    name = item.type.__name__ if isinstance(item.type, type) else str(item.type)
    return words[name.removesuffix(" | None")]


def _key(name: str, where: str) -> str:
    return f"{where}: {name}" if where else name


def refuse_unknown_keys(table: Mapping[str, Any], known: list[str], where: str) -> None:
    """Refuse a table that holds a key nobody reads.

    Raises
    ------
    SettingError
        Names the key and the nearest known one, or all known ones.
    """
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f"did you mean {near[0]}?" if near else f"known keys: {', '.join(known)}"
            raise SettingError(f"{_key(key, where)} is not a known key; {hint}")


def text(table: Mapping[str, Any], key: str, default: str, where: str) -> str:
    """Return a text that a table may hold.

    Raises
    ------
    SettingError
        If it is anything else.
    """
    value = table.get(key, default)
    if not isinstance(value, str):
        raise SettingError(f"{_key(key, where)} is {value!r}; it must be text in quotes")
    return value


def heading(table: Mapping[str, Any], where: str) -> tuple[str, str]:
    """Return the name and the description at the top of a document.

    Raises
    ------
    SettingError
        If the name is missing, or either is no text.
    """
    name, description = (text(table, key, "", where) for key in ("name", "description"))
    if "name" not in table:
        raise SettingError(f'{_key("name", where)} is missing; write name = "..." at the top')
    return name, description


def tables(
    table: Mapping[str, Any], key: str, where: str, parent: str = ""
) -> list[Mapping[str, Any]]:
    """Return the tables of a list, each headed [[parent + key]]; none if it is left out.

    Raises
    ------
    SettingError
        If it is anything else.
    """
    rows = table.get(key, [])
    if not (isinstance(rows, list) and all(isinstance(row, Mapping) for row in rows)):
        raise SettingError(
            f"{_key(key, where)} must be a list of tables, each headed [[{parent}{key}]]"
        )
    return rows


def from_table(design: type[T], table: Mapping[str, Any], where: str = "") -> T:
    """Make a design of plain settings from one TOML table.

    Parameters
    ----------
    design : dataclass type
        All of its fields are made by :func:`setting`.
    table : mapping
        The keys and values as TOML gives them.
    where : str
        File and table to name in a message.

    Returns
    -------
    design instance

    Raises
    ------
    SettingError
        For an unknown key, a missing key, a wrong type or a value out of range.
    """
    items = {item.name: item for item in dataclasses.fields(design)}  # type: ignore[arg-type]
    refuse_unknown_keys(table, list(items), where)
    for name, item in items.items():
        if name not in table and item.default is MISSING:
            raise SettingError(
                f"{_key(name, where)} is missing; it must be {rule_of(item).allowed}"
            )
        if name in table:
            _check_value(table[name], item, where)
    numbers = {
        name: float(value) if _expected_type(items[name]) is float else value
        for name, value in table.items()
    }
    return design(**numbers)
