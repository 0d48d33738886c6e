"""The entry of the command line: parse, run, and turn refusals into one line."""

import os
import signal
import sys
from collections.abc import Sequence

from carrierfloor.cli.parser import build_parser
from carrierfloor.cli.signals import Terminated, signals_as_exceptions
from carrierfloor.dsp.errors import CarrierfloorError

REFUSED = 2  # something a user can put right; argparse uses the same
INTERRUPTED = 128 + signal.SIGINT  # as shells count it
TERMINATED = 128 + signal.SIGTERM


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments; those of the process by default.

    Returns
    -------
    int
        Exit status: 0 done, 2 refused or failed, 130 interrupted, 143 terminated.
    """
    arguments = build_parser().parse_args(argv)
    try:
        with signals_as_exceptions():
            status: int = arguments.run(arguments)
            sys.stdout.flush()
    except CarrierfloorError as error:
        return _say(arguments.command, " ".join(str(error).split()), REFUSED)
    except BrokenPipeError:  # the reader of our output, such as head, has had enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:  # a full disk met by the cache of compiled code, for one
        where = f"{error.filename}: " if error.filename else ""
        return _say(arguments.command, f"{where}{error.strerror or error}", REFUSED)
    except Terminated:
        return _say(arguments.command, "terminated; no unfinished file is left", TERMINATED)
    except KeyboardInterrupt:
        return _say(arguments.command, "interrupted; no unfinished file is left", INTERRUPTED)
    return status


def _say(command: str, message: str, status: int) -> int:
    print(f"carrierfloor {command}: {message}", file=sys.stderr)
    return status
