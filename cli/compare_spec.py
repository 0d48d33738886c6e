"""What a user writes behind ``--with``: one version to compare."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from carrierfloor import presets
from carrierfloor.cli import comma_list
from carrierfloor.cli.audio_in import AudioIn
from carrierfloor.cli.documents import is_file
from carrierfloor.cli.job import Options
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.settings import refuse_unknown_keys

UNPROCESSED = "unprocessed"
VOICE_KEYS = ("voice", "drive")
NUMBERS = ("drive", "negative-limit", "positive-limit")
KEYS = (*VOICE_KEYS, "file", "rig", "negative-limit", "positive-limit", "name")
FEWEST, MOST = 2, 9  # the keys 1 to 9 choose one


@dataclass(frozen=True, kw_only=True)
class Spec:
    """One version.

    Parameters
    ----------
    text : str
        As the user wrote it.
    name : str
        What it is called.
    options : Options
        Voice, drive, rig and limits.
    file : Path, optional
        Sound that is played into the rig as it is.
    is_unprocessed : bool
        Whether the phrase itself is played into the rig, as loud as the limit allows.
    """

    text: str
    name: str
    options: Options
    file: Path | None = None
    is_unprocessed: bool = False

    @property
    def has_voice(self) -> bool:
        """Whether it goes through a chain."""
        return self.file is None and not self.is_unprocessed


def read_specs(texts: Sequence[str], rig: str | None) -> tuple[Spec, ...]:
    """Read all versions.

    Parameters
    ----------
    texts : sequence of str
        One SPEC each: ``key=value``, commas between; the first may be a bare voice, sound file or
        ``unprocessed``.  What has a comma in it stands between double quotes.
    rig : str, optional
        The rig of those that name none.

    Raises
    ------
    SettingError
        If one cannot be read, two have the same name, or there are too few or too many.
    AudioError
        If a file is no sound.
    """
    if not FEWEST <= len(texts) <= MOST:
        raise SettingError(
            f"{len(texts)} version{'s' * (len(texts) != 1)} given; it takes {FEWEST} to {MOST}: "
            "give --with once for each"
        )
    specs = tuple(_read(text, rig) for text in texts)
    names = [spec.name for spec in specs]
    for name in names:
        if names.count(name) > 1:
            raise SettingError(f"two versions are called {name!r}; add ,name=... to one of them")
    return specs


def _read(text: str, rig: str | None) -> Spec:
    where = f"--with {text}"
    given = _table(text, where)
    is_unprocessed = given.pop(UNPROCESSED, None) is not None
    if (is_unprocessed or "file" in given) and any(key in given for key in VOICE_KEYS):
        kind = UNPROCESSED if is_unprocessed else "file"
        raise SettingError(f"{where}: {kind} goes through no voice; leave voice and drive out")
    if is_unprocessed and "file" in given:
        raise SettingError(f"{where}: it is either unprocessed or a file")
    numbers = {key: _number(given[key], key, where) for key in NUMBERS if key in given}
    options = Options(
        voice=given.get("voice"),
        rig=given.get("rig", rig),
        drive_db=numbers.get("drive"),
        negative_limit_pct=numbers.get("negative-limit"),
        positive_limit_pct=numbers.get("positive-limit"),
    )
    try:
        options.documents()
    except SettingError as error:
        raise SettingError(f"{where}: {error}") from None
    file = Path(given["file"]) if "file" in given else None
    if file is not None:
        AudioIn(file).close()  # refused now, not after the versions before it are rendered
    return Spec(
        text=text,
        name=given.get("name") or _name(given, is_unprocessed),
        options=options,
        file=file,
        is_unprocessed=is_unprocessed,
    )


def _table(text: str, where: str) -> dict[str, str]:
    """Return keys and values; a bare first word gets the key it stands for."""
    given: dict[str, str] = {}
    for number, item in enumerate(_items(text, where)):
        key, equals, value = (part.strip() for part in item.partition("="))
        if not equals and number == 0 and key:
            key, value = _bare(key)
        elif not equals or not value:
            raise SettingError(
                f"{where}: {item!r} must be key=value; keys: {', '.join(KEYS)}; what has a comma "
                "in it stands between double quotes"
            )
        if key in given:
            raise SettingError(f"{where}: {key} is given twice")
        given[key] = value
    refuse_unknown_keys(given, [*KEYS, UNPROCESSED], where)
    if given.get(UNPROCESSED):
        raise SettingError(f"{where}: write {UNPROCESSED} alone, without a value")
    return given


def _items(text: str, where: str) -> list[str]:
    try:
        return comma_list.items(text)
    except ValueError as error:
        raise SettingError(f"{where}: {error}") from None


def _bare(word: str) -> tuple[str, str]:
    if word == UNPROCESSED:
        return UNPROCESSED, ""
    is_sound = is_file(word) and Path(word).suffix.lower() != ".toml"
    return ("file" if is_sound else "voice"), word


def _number(text: str, key: str, where: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise SettingError(f"{where}: {key} is {text!r}; it must be a number") from None


def _name(given: dict[str, str], is_unprocessed: bool) -> str:
    """Name a version after what it is, and what is changed in it."""
    kind = given.get("file") or given.get("voice") or presets.DEFAULT_VOICE
    words = [UNPROCESSED if is_unprocessed else _short(kind)]
    words += [f"{key} {_short(given[key])}" for key in ("rig", *NUMBERS) if key in given]
    return ", ".join(words)


def _short(value: str) -> str:
    return Path(value).stem if is_file(value) and not _is_number(value) else value


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
