"""A live session: the desk, the audio process, and what happens when something breaks.

The session starts silent.  The fader goes up once sound has moved for a while, and comes down
before anything is changed that cannot be changed while it is heard.  On any trouble the audio
process is given up, the remark says why, and the devices are opened anew as soon as they are back.
"""

import mmap
import os
import sys
import tempfile
import time
from collections.abc import Mapping

import numpy as np

from carrierfloor.cli.audio_process import AudioProcess, copy_of
from carrierfloor.cli.live_options import LiveOptions
from carrierfloor.cli.live_plan import Opened
from carrierfloor.cli.live_status import ENDED, MUTED, ON_AIR, SILENT, STARTING
from carrierfloor.cli.server_watch import ServerWatch
from carrierfloor.cli.sound_devices import DeviceError
from carrierfloor.dsp import live_layout
from carrierfloor.dsp.bridge import bridge_meters
from carrierfloor.dsp.bridge_layout import BRIDGE_COEFFICIENTS_SIZE, BRIDGE_STATE_SIZE
from carrierfloor.dsp.desk import Desk
from carrierfloor.dsp.resampler import highest_passed_hz
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ
from carrierfloor.dsp.voice import Voice

PROVEN_S = 0.3  # sound must have moved for so long before the fader goes up
FADED_S = 0.05  # after which the fader and the limiter have surely done
SHORTEST_WAIT_S, LONGEST_WAIT_S = 0.5, 5.0  # between two tries to open the devices
FAULT = "the output met an impossible sample and went silent"


class Session:
    """Run a live session; :meth:`step` does what is due.

    Parameters
    ----------
    options : LiveOptions
        What the user wants.

    Attributes
    ----------
    desk : Desk
        The desk.
    state : str
        One of the states of live_status.py.
    remarks : list of str
        What has happened, oldest first.
    restarts : int
        How often the devices were opened again.
    loads : int
        How often the desk was loaded; its slots may hold other voices since.

    Raises
    ------
    SettingError
        If a voice, the rig or an option cannot be used.
    """

    def __init__(self, options: LiveOptions) -> None:
        options.check()
        self._options = options
        voices, rig = options.read_voices(), options.read_rig()
        self._memory_fd = _shared_memory(8 * live_layout.END)
        memory = mmap.mmap(self._memory_fd, 8 * live_layout.END)
        self.whole = np.frombuffer(memory, dtype=np.int64)
        self.desk = Desk(memory, highest_hz=_highest_hz(options.plan.rate_hz))
        self.desk.set_up(rig, voices, options.heard)
        self.state, self.restarts, self.loads = STARTING, 0, 1
        self.remarks: list[str] = []
        self.is_muted = options.mute
        self._plan = options.plan_with(self._memory_fd, os.getpid())
        self._process: AudioProcess | None = None
        self._watch: ServerWatch | None = None
        self._alive_since_s: float | None = None
        self._wait_s, self._retry_s = SHORTEST_WAIT_S, 0.0
        self._has_run = False
        self._coming_rig: Rig | None = None
        self._closed_s = 0.0
        self._slips_before = 0

    @property
    def opened(self) -> Opened | None:
        """What the audio process opened; ``None`` before."""
        return self._process.opened if self._process else None

    @property
    def drift_ppm(self) -> float | None:
        """How fast the input's clock is against the output's; ``None`` if there is but one."""
        opened = self.opened
        return None if opened is None or opened.one_stream else self._bridge["drift_ppm"]

    @property
    def slips(self) -> int:
        """How often the sound between two clocks was lost, and taken up again, while it ran."""
        return max(self._all_slips - self._slips_before, 0)

    @property
    def _all_slips(self) -> int:
        return int(self._bridge["glitches"])

    @property
    def _bridge(self) -> Mapping[str, float]:
        start = live_layout.IN_BRIDGE + BRIDGE_COEFFICIENTS_SIZE
        return bridge_meters(self.whole.view(np.float64)[start : start + BRIDGE_STATE_SIZE])

    # ---- what is done all the time

    def step(self) -> None:
        """Do what is due; call it some twenty times a second.

        Raises
        ------
        DeviceError
            If a device cannot be used at the first start, or at all without reconnecting.
        """
        now_s = time.monotonic()
        if self._process is None:
            if now_s >= self._retry_s:
                self._begin()
            return
        trouble = self._trouble()
        if trouble is not None:
            self._recover(trouble)
            return
        self._advance(now_s)
        self.desk.tend()

    def _begin(self) -> None:
        """Start an audio process on a fresh desk."""
        self._process = AudioProcess(self._plan, self.whole)
        self._alive_since_s = None

    def _trouble(self) -> str | None:
        assert self._process is not None
        trouble = self._process.trouble()
        if trouble is None and self.desk.is_running and self.desk.has_fault:
            trouble = FAULT
        if trouble is None and self._watch is not None:
            trouble = self._watch.moved()
        return trouble

    def _advance(self, now_s: float) -> None:
        """Go on from an opened device to sound, and through a change of rig."""
        assert self._process is not None
        if self._process.opened is None:
            return
        if self._alive_since_s is None:
            self.desk.start()
            if self._process.is_alive and self.desk.is_running:
                self._alive_since_s = now_s
                self._watch = ServerWatch(self._process.pid)
        elif self._coming_rig is not None:
            self._change_rig()
        elif self.state in (STARTING, SILENT) and now_s - self._alive_since_s > PROVEN_S:
            self._has_run, self._wait_s = True, SHORTEST_WAIT_S
            self._plan = copy_of(self._plan, self._process.opened)
            self._set_fader()
            self._slips_before = self._all_slips
            self.remarks.append("sound runs")

    def _recover(self, trouble: str) -> None:
        """Give the audio process up; try again later, or pass the trouble on."""
        assert self._process is not None
        self.desk.close()
        if self._process.opened is not None:
            time.sleep(FADED_S + self.desk.rest_s)
        may_return = self._has_run and self._options.reconnect
        self._drop_process()
        if not may_return:
            raise DeviceError(trouble)
        if trouble not in self.remarks[-1:]:
            self.remarks.append(trouble)
        self.state = SILENT
        self.restarts += 1
        self._retry_s = time.monotonic() + self._wait_s
        self._wait_s = min(2.0 * self._wait_s, LONGEST_WAIT_S)
        self._load(self.desk.rig)

    def _drop_process(self) -> None:
        if self._watch is not None:
            self._watch.close()
            self._watch = None
        if self._process is not None:
            self._process.give_up()
            self._process = None
        self.desk.forsake()

    def _load(self, rig: Rig) -> None:
        """Load the desk anew, with the voices and drives that are in use."""
        drives_db = {key: self.desk.drive_db(key) for key in self.desk.keys}
        voices = {key: self.desk.voice(key) for key in self.desk.keys}
        self.desk.set_up(rig, voices, self.desk.heard)
        self.loads += 1
        for key, drive_db in drives_db.items():
            if drive_db is not None:
                self.desk.set_drive(key, drive_db)

    # ---- what the user does

    def mute(self, is_muted: bool) -> None:
        """Take the fader down, or up again."""
        self.is_muted = is_muted
        self._set_fader_if_proven()

    def _set_fader_if_proven(self) -> None:
        """Move the fader, unless sound has not run yet or the rig is being changed."""
        if self.state in (ON_AIR, MUTED) and self._coming_rig is None:
            self._set_fader()

    def _set_fader(self) -> None:
        if self.is_muted:
            self.desk.close()
        else:
            self.desk.open()
        self.state = MUTED if self.is_muted else ON_AIR

    def replace_voice(self, key: str, voice: Voice) -> None:
        """Put a voice in place of another.

        Raises
        ------
        SettingError
            If it cannot be used live; the old one stays.
        """
        self.desk.replace(key, voice)

    def replace_rig(self, rig: Rig) -> None:
        """Change the rig: silent first, then with the new one.

        Raises
        ------
        SettingError
            If it cannot be used live; the old one stays.
        """
        self.desk.check(rig)
        self.desk.close()
        self._coming_rig = rig
        self._closed_s = time.monotonic()

    def _change_rig(self) -> None:
        assert self._coming_rig is not None
        fading_s = FADED_S + self.desk.rest_s
        if time.monotonic() - self._closed_s < fading_s or not self.desk.is_silent:
            return
        self.desk.stop()
        if self.desk.is_running:
            return
        self._load(self._coming_rig)
        self._coming_rig = None
        self.desk.start()
        self._set_fader_if_proven()

    def end(self) -> None:
        """Ramp down and close the devices."""
        self.desk.close()
        if self._process is not None and self._process.opened is not None:
            self._process.leave()
            self._process = None
        self._drop_process()
        self.state = ENDED
        os.close(self._memory_fd)


def _highest_hz(rate_hz: int) -> float:
    """Return what an output rate can carry."""
    return SAMPLE_RATE_HZ / 2 if rate_hz >= SAMPLE_RATE_HZ else highest_passed_hz(rate_hz)


def _shared_memory(size: int) -> int:
    """Return a file descriptor of zeroed memory that a child can have too."""
    if sys.platform == "linux":
        descriptor = os.memfd_create("carrierfloor")
    else:
        with tempfile.TemporaryFile() as file:
            descriptor = os.dup(file.fileno())
    os.ftruncate(descriptor, size)
    return descriptor
