"""The command ``live``: a microphone processor."""

import sys
import time
from collections.abc import Callable

from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.console import Console, can_show
from carrierfloor.cli.live_lines import LiveLines
from carrierfloor.cli.live_options import LiveOptions
from carrierfloor.cli.live_run import LiveRun
from carrierfloor.cli.live_status import LiveStatus
from carrierfloor.dsp.desk_kernel import run_desk
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.kernel import is_compiled

STEP_S = 0.05
CAUTION = (
    "Caution: set levels into a dummy load before you go on the air, and watch the envelope",
    "on a scope. What may be on the air is a matter of your licence.",
)
COMPILING = "Compiling for the first time: about a minute until sound runs."


def live(options: LiveOptions) -> int:
    """Run until told to leave.

    Returns
    -------
    int
        Exit status.

    Raises
    ------
    CarrierfloorError
        If an option, a file or a device cannot be used, or a device goes and reconnecting is off.
    """
    if sys.platform == "win32":
        raise SettingError("live does not run on Windows; use Linux or macOS, or process files")
    if not options.plain and not can_show():
        raise SettingError("the console needs a terminal; give --plain for one line a second")
    remarks = screen.remarks()
    remarks.print("\n".join(CAUTION), style="bold yellow")
    if not is_compiled(run_desk.__name__):
        remarks.print(COMPILING, style="dim")
    run = LiveRun(options)
    try:
        with run:
            if options.plain:
                _keep_going(run, LiveLines().show, list)
            else:
                with Console() as console:
                    _keep_going(run, console.show, console.actions)
    except KeyboardInterrupt:
        remarks.print(Text(f"Ramped down after {run.elapsed_s:.0f} s.", style="dim"))
        raise
    remarks.print(Text(f"Ramped down after {run.elapsed_s:.0f} s.", style="dim"))
    return 0


def _keep_going(
    run: LiveRun, show: Callable[[LiveStatus], None], actions: Callable[[], list[str]]
) -> None:
    """Show how things are and do what is asked for, until the end is wanted."""
    while not run.wants_to_end:
        show(run.step())
        for action in actions():
            run.act(action)
        time.sleep(STEP_S)
