"""Once more for a test of what comes through a sound server in real time.

PulseAudio on a busy machine loses sound, plays it twice or drops a connection, and tells none of
its programs.  Such a test counts as failed if it fails twice; what failed first is printed.
"""

import functools
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import ParamSpec

P = ParamSpec("P")


def tried_again(test: Callable[P, None]) -> Callable[P, None]:
    """Run a test again if it fails, with a folder of its own."""

    @functools.wraps(test)
    def twice(*arguments: P.args, **fixtures: P.kwargs) -> None:
        try:
            test(*arguments, **fixtures)
        except Exception:
            traceback.print_exc()
            print("once more, for the sound server may have failed")
            folder = fixtures.get("tmp_path")
            if isinstance(folder, Path):
                again = folder / "again"
                again.mkdir()
                fixtures["tmp_path"] = again
            test(*arguments, **fixtures)

    return twice
