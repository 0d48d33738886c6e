"""Tables of numbers on a terminal that is too narrow for them."""

import io

from rich.console import Console

from carrierfloor.cli import screen
from carrierfloor.cli.whole_table import print_whole


def printed(width: int) -> list[str]:
    table = screen.table()
    for title in ("Level", "Crest"):
        table.add_column(title, justify="right", no_wrap=True)
    for number in range(3):
        table.add_row(f"-1{number}.25 dBFS", f"1.23{number}4")
    file = io.StringIO()
    print_whole(table, Console(width=width, file=file))
    return file.getvalue().splitlines()


def test_columns_move_together_before_anything_is_lost() -> None:
    """21 characters with the usual three between them, 19 with one."""
    assert printed(40)[2] == "-10.25 dBFS   1.2304"
    assert printed(18)[2] == "-10.25 dBFS 1.2304"


def test_no_digit_is_ever_left_out() -> None:
    for width in (1, 10, 18, 19, 20, 80):
        text = "\n".join(printed(width))
        assert "…" not in text
        assert all(f"-1{number}.25 dBFS" in text for number in range(3))
        assert all(f"1.23{number}4" in text for number in range(3))
