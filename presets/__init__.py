"""The voices, rigs and emission masks that ship with carrierfloor."""

import tomllib
from importlib import resources

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mask import Mask, mask_from_table
from carrierfloor.dsp.rig import Rig, rig_from_table
from carrierfloor.dsp.voice import Voice, voice_from_table

DEFAULT_VOICE = "everyday"
DEFAULT_RIG = "plate-modulated"


def names(what: str) -> list[str]:
    """Return the names of the shipped ``voices``, ``rigs`` or ``masks``, sorted."""
    folder = resources.files("carrierfloor.presets") / what
    return sorted(
        entry.name.removesuffix(".toml")
        for entry in folder.iterdir()
        if entry.name.endswith(".toml")
    )


def text(what: str, name: str) -> str:
    """Return the TOML text of a shipped voice, rig or mask.

    Raises
    ------
    SettingError
        Lists the shipped names if there is no such one.
    """
    if name not in names(what):
        raise SettingError(
            f"{what[:-1]} {name!r} is not known; shipped {what}: {', '.join(names(what))}; "
            "or give the path of a .toml file"
        )
    return (resources.files("carrierfloor.presets") / what / f"{name}.toml").read_text("utf-8")


def voice(name: str = DEFAULT_VOICE) -> Voice:
    """Return a shipped voice."""
    return voice_from_table(tomllib.loads(text("voices", name)), name)


def rig(name: str = DEFAULT_RIG) -> Rig:
    """Return a shipped rig."""
    return rig_from_table(tomllib.loads(text("rigs", name)), name)


def mask(name: str) -> Mask:
    """Return a shipped emission mask."""
    return mask_from_table(tomllib.loads(text("masks", name)), name)
