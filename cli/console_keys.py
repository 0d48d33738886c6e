"""The keys of the live console: a line that is always there, and a panel that says it all."""

from collections.abc import Sequence

from rich.text import Text

from carrierfloor.cli import live_keys
from carrierfloor.cli.console_words import fitted

GAP = "  "
NEEDED = (live_keys.HELP, live_keys.QUIT)  # named at any width


def keys_line(width: int) -> Text:
    """Return the keys in one line; where it is short, those that fit."""
    offered = [action for action in live_keys.ACTIONS if action.short]
    while len(offered) > len(NEEDED) and _length(offered) > width - 2:
        offered.remove([one for one in offered if one.name not in NEEDED][-1])
    return fitted(Text(" " + GAP.join(one.short for one in offered), style="reverse"), width)


def _length(actions: Sequence[live_keys.Action]) -> int:
    return len(GAP.join(one.short for one in actions))


def help_lines(width: int) -> list[Text]:
    """Return all keys with what they do, in as many columns as fit side by side."""
    entries = [f" {one.shown:<11}{one.words}" for one in live_keys.ACTIONS]
    wide = max(map(len, entries)) + 2
    columns = max(width // wide, 1)
    down = -(-len(entries) // columns)
    rows = [entries[row::down] for row in range(down)]
    return [fitted(Text("".join(f"{one:<{wide}}" for one in row)), width) for row in rows]
