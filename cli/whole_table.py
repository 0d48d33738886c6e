"""Tables of numbers, none of whose digits may be left out."""

from rich.console import Console
from rich.measure import Measurement
from rich.table import Table

WIDEST = 1000


def print_whole(table: Table, console: Console) -> None:
    """Print a table with all it holds, also where the terminal is too narrow for it.

    Otherwise rich would end cells early, and 1.497 would become 1.4 and an ellipsis.  First its
    columns move together; if that is not enough, the terminal breaks the lines.

    Parameters
    ----------
    table : Table
        Of columns that do not wrap.
    console : Console
        Where to.
    """
    room = console.width
    if _width(table, console) > room:
        table.padding = 0
    try:
        console.width = max(room, _width(table, console))
        console.print(table)
    finally:
        console.width = room


def _width(table: Table, console: Console) -> int:
    return Measurement.get(console, console.options.update(width=WIDEST), table).maximum
