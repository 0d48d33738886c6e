"""What the keys of the live console do."""

from dataclasses import dataclass

DRIVE_UP, DRIVE_DOWN = "drive up", "drive down"
VOICE_A, VOICE_B, OTHER_VOICE, BYPASS = "voice A", "voice B", "other voice", "bypass"
MATCH, MUTE, MARK, HELP, QUIT = "match", "mute", "mark", "help", "quit"


@dataclass(frozen=True, kw_only=True)
class Action:
    """An action and the keys that ask for it."""

    name: str
    keys: tuple[str, ...]  # as Keyboard.pressed names them; letters small
    shown: str  # the keys on the screen
    words: str  # what it does, in the panel of keys
    short: str  # with its keys, in the line of keys; empty: another action's says it


ACTIONS = (
    Action(
        name=DRIVE_UP,
        keys=("up", "+", "="),
        shown="↑ or +",
        words="drive up 1 dB",
        short="↑↓ drive",
    ),
    Action(name=DRIVE_DOWN, keys=("down", "-"), shown="↓ or -", words="drive down 1 dB", short=""),
    Action(name=VOICE_A, keys=("a",), shown="a", words="voice A", short="a b voice"),
    Action(name=VOICE_B, keys=("b",), shown="b", words="voice B", short=""),
    Action(
        name=OTHER_VOICE,
        keys=("space", "tab"),
        shown="space, tab",
        words="change: A or B",
        short="space A/B",
    ),
    Action(name=BYPASS, keys=("y",), shown="y", words="bypass", short="y bypass"),
    Action(name=MATCH, keys=("l",), shown="l", words="match loudness", short="l match"),
    Action(name=MUTE, keys=("m",), shown="m", words="mute", short="m mute"),
    Action(name=MARK, keys=("k",), shown="k", words="mark the moment", short="k mark"),
    Action(name=HELP, keys=("h", "?"), shown="h", words="show the keys", short="h keys"),
    Action(name=QUIT, keys=("q",), shown="q", words="quit", short="q quit"),
)
ACTION_OF = {key: action.name for action in ACTIONS for key in action.keys}


def actions_of(pressed: list[str]) -> list[str]:
    """Return the actions of keys, in their order; capital letters count as small ones."""
    names = (ACTION_OF.get(key.lower()) for key in pressed)
    return [name for name in names if name is not None]
