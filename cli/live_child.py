"""The audio process of a live session: it owns the sound devices and does nothing else.

``python -m carrierfloor.cli.live_child PLAN``, started by cli/audio_process.py.  It tells in lines
of JSON what it opened or why it could not, and leaves without looking back: what PortAudio and
sounddevice do at exit may hang or abort once a device is gone.
"""

import json
import mmap
import os
import signal
import sys
import threading
import time
from dataclasses import asdict
from types import FrameType

import numpy as np

from carrierfloor.cli.audio_process import ENDED, NO_DEVICE
from carrierfloor.cli.live_plan import Plan
from carrierfloor.cli.live_streams import Streams
from carrierfloor.cli.sound_devices import DeviceError
from carrierfloor.dsp import desk_layout
from carrierfloor.dsp import live_layout as at
from carrierfloor.dsp.engine import engine

LOOK_S = 0.05
CLOSING_S = 1.5  # PortAudio may never return from closing a device that is gone
FADING_S = 0.3  # for the fader and what is on its way to the device


def main(text: str) -> int:
    """Open the devices of a plan and keep them open until told to leave."""
    plan = Plan.from_json(text)
    leave = threading.Event()

    def stop(_number: int, _frame: FrameType | None) -> None:
        leave.set()

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    memory = mmap.mmap(plan.memory_fd, 8 * at.END)
    whole = np.frombuffer(memory, dtype=np.int64)
    whole[desk_layout.ENGINE] = engine().address
    try:
        streams = Streams(plan, whole)
        _say(opened=asdict(streams.opened))
    except DeviceError as error:
        _say(trouble=str(error), is_refusal=True)
        return NO_DEVICE
    ended = _watch(plan, streams, leave)
    whole[desk_layout.OPEN] = 0
    if ended:
        _say(trouble="a device stopped by itself; is it gone?")
    else:
        time.sleep(FADING_S)
    closing = threading.Thread(target=streams.close, daemon=True)
    closing.start()
    closing.join(CLOSING_S)
    return ENDED if ended else 0


def _watch(plan: Plan, streams: Streams, leave: threading.Event) -> bool:
    """Wait until told to leave, or the parent is gone; tell whether a stream ended before."""
    while not leave.wait(LOOK_S):
        if streams.have_ended:
            return True
        if os.getppid() != plan.parent_pid:
            return False
    return False


def _say(**what: object) -> None:
    print(json.dumps(what), flush=True)


if __name__ == "__main__":
    status = main(sys.argv[1])
    os._exit(status)
