"""One line of JSON a second on standard output, in the place of the console."""

import json
import sys

from carrierfloor.cli.live_rows import row_of
from carrierfloor.cli.live_status import LiveStatus


class LiveLines:
    """Print a live session; the keys are ``live_rows.KEYS``."""

    def __init__(self) -> None:
        self._second: int | None = None

    def show(self, status: LiveStatus) -> None:
        """Take a moment; it is printed if a new second of the session has begun.

        Raises
        ------
        BrokenPipeError
            If the reader has gone.
        """
        second = int(status.elapsed_s)
        if second != self._second:
            self._second = second
            print(json.dumps(row_of(status), allow_nan=False), file=sys.stdout, flush=True)
