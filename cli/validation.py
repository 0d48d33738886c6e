"""Checking documents: a line for each file, right or wrong."""

from collections.abc import Callable, Sequence

from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.screen import BAD, GOOD
from carrierfloor.dsp.errors import SettingError


def validate_files(files: Sequence[str], read: Callable[[str], object]) -> int:
    """Read each file; print whether it is right, and return 0 if all are, else 2."""
    console, wrong = screen.results(), 0
    for file in files:
        try:
            read(file)
        except SettingError as error:
            wrong += 1
            console.print(Text(str(error), style=BAD), soft_wrap=True)
        else:
            console.print(Text(f"{file}: correct", style=GOOD), soft_wrap=True)
    return 2 if wrong else 0
