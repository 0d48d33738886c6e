"""A live session with all that goes on around it: meters, matching, files that change, records."""

import time
from contextlib import ExitStack
from types import TracebackType
from typing import Self

import numpy as np

from carrierfloor.cli import live_keys
from carrierfloor.cli.live_log import LiveLog
from carrierfloor.cli.live_options import BYPASSED, A, B, LiveOptions
from carrierfloor.cli.live_session import Session
from carrierfloor.cli.live_status import Latency, LiveStatus, Loop, Meters
from carrierfloor.cli.recorder import Recorder
from carrierfloor.cli.watched_file import WatchedFile
from carrierfloor.dsp import live_layout as at
from carrierfloor.dsp.desk_meters import DeskMeters
from carrierfloor.dsp.desk_reader import DeskReader
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.level_match import LevelMatch
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

DRIVE_STEP_DB = 1.0
LOOKED_EVERY_S = 0.5  # at files that may change
RIG = "rig"
VOICE_OF = {live_keys.VOICE_A: A, live_keys.VOICE_B: B, live_keys.BYPASS: BYPASSED}


class LiveRun:
    """Run a session inside a ``with`` statement; behind it all is silent, closed and saved.

    Parameters
    ----------
    options : LiveOptions
        What the user wants.

    Attributes
    ----------
    wants_to_end : bool
        Whether the user has asked for the end, or the time is over.

    Raises
    ------
    CarrierfloorError
        If an option or a file cannot be used.
    """

    def __init__(self, options: LiveOptions) -> None:
        self._options = options
        self._session = Session(options)
        self._desk = self._session.desk
        self._words = self._session.whole.view(np.float64)
        self._reader = DeskReader(self._desk.words, self._desk.whole)
        self._meters = DeskMeters(self._desk.rig.level.sample_at_full_modulation)
        self._match, self._is_matched = LevelMatch(), options.match
        self._loads = self._session.loads
        self._watched = {
            key: WatchedFile(name or "")
            for key, name in ((A, options.voice), (B, options.voice_b), (RIG, options.rig))
        }
        self._looked_s = self._begun_s = time.monotonic()
        self._marks = 0
        self._has_opened = False
        self.wants_to_end = False
        self._recorder: Recorder | None = None
        self._log: LiveLog | None = None
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        with ExitStack() as stack:
            if self._options.record is not None:
                self._recorder = Recorder(self._options.record)
                stack.callback(self._recorder.close)
            if self._options.log is not None:
                self._log = stack.enter_context(LiveLog(self._options.log))
            stack.callback(self._end)
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stack.close()

    @property
    def elapsed_s(self) -> float:
        """How long the session runs."""
        return time.monotonic() - self._begun_s

    def step(self) -> LiveStatus:
        """Do what is due and return how things are; call it some twenty times a second.

        Raises
        ------
        DeviceError
            If a device cannot be used at the first start, or later without reconnecting.
        """
        self._session.step()
        self._look_at_files()
        self._follow()
        status = self._status()
        self._has_opened = self._has_opened or self._session.opened is not None
        if self._log is not None and self._has_opened:  # a refused device leaves no log
            self._log.show(status)
            self._note(self._log.problem)
        if self._recorder is not None:
            self._note(self._recorder.failed)
        if self._options.for_s is not None and status.elapsed_s >= self._options.for_s:
            self.wants_to_end = True
        return status

    def act(self, action: str) -> None:
        """Do what a key asks for; see live_keys.py."""
        if action == live_keys.QUIT:
            self.wants_to_end = True
        elif action == live_keys.MUTE:
            self._session.mute(not self._session.is_muted)
        elif action == live_keys.MARK:
            self._marks += 1
        elif action == live_keys.MATCH:
            self._is_matched = not self._is_matched
        elif action in (live_keys.DRIVE_UP, live_keys.DRIVE_DOWN):
            self._change_drive(DRIVE_STEP_DB if action == live_keys.DRIVE_UP else -DRIVE_STEP_DB)
        elif action == live_keys.OTHER_VOICE:
            self._choose(B if self._desk.heard == A else A)
        else:
            self._choose(VOICE_OF[action])

    def _end(self) -> None:
        """Ramp down; what is heard meanwhile is still recorded."""
        self._session.end()
        self._follow()

    def _note(self, remark: str | None) -> None:
        if remark and remark not in self._session.remarks:
            self._session.remarks.append(remark)

    def _choose(self, key: str) -> None:
        if key in self._desk.keys:
            self._desk.choose(key)
        else:
            self._session.remarks.append("there is no voice B; start with --voice-b")

    def _change_drive(self, step_db: float) -> None:
        key = self._desk.heard
        drive_db = self._desk.drive_db(key)
        try:
            self._desk.set_drive(key, round(drive_db or 0.0, 6) + step_db)
        except SettingError as error:
            self._session.remarks.append(str(error))

    def _look_at_files(self) -> None:
        """Take over what has been changed on disk, or say why not."""
        now_s = time.monotonic()
        if now_s - self._looked_s < LOOKED_EVERY_S:
            return
        self._looked_s = now_s
        for key, file in self._watched.items():
            if not file.changed():
                continue
            try:
                self._take_over(key)
            except SettingError as error:
                self._session.remarks.append(f"not taken over: {error}")

    def _take_over(self, key: str) -> None:
        if key == RIG:
            rig = self._options.read_rig()
            self._session.replace_rig(rig)
            self._session.remarks.append(f"rig changed: {rig.name}")
        else:
            voice = self._options.read_voice(key)
            self._session.replace_voice(key, voice)
            self._session.remarks.append(f"voice {key} changed: {voice.name}")

    def _follow(self) -> None:
        """Take what the desk has done since the last look."""
        stretch = self._reader.advance()
        self._meters.sample_at_full_modulation = self._desk.rig.level.sample_at_full_modulation
        self._meters.feed(stretch)
        if self._session.loads != self._loads:
            self._match, self._loads = LevelMatch(), self._session.loads
        self._match.feed(stretch.readings, [self._desk.slot_of(key) for key in self._desk.keys])
        gains_db = self._match.gains_db()
        for key in self._desk.keys:
            gain_db = gains_db[self._desk.slot_of(key)] if self._is_matched else 0.0
            self._desk.set_gain(key, gain_db)
        if self._recorder is not None:
            self._recorder.write(stretch)

    # ---- how things are

    def _status(self) -> LiveStatus:
        session, desk, opened = self._session, self._desk, self._session.opened
        plan, limits = self._options.plan, desk.rig.modulation
        drive_db = desk.drive_db(desk.heard)
        return LiveStatus(
            elapsed_s=self.elapsed_s,
            clock=time.strftime("%H:%M:%S"),
            state=session.state,
            message=session.remarks[-1] if session.remarks else "",
            input_device=opened.input if opened else plan.input,
            output_device=opened.output if opened else plan.output,
            sample_rate_hz=plan.rate_hz,
            block_frames=plan.block_frames,
            voices=tuple((key, desk.voice(key).name) for key in desk.keys),
            heard=desk.heard,
            rig=desk.rig.name,
            negative_limit_pct=limits.negative_limit_pct,
            positive_limit_pct=limits.positive_limit_pct,
            is_equalised=desk.rig.equalise.enabled,
            drive_db=None if drive_db is None else round(drive_db, 3),
            is_matched=self._is_matched,
            meters=self._read_meters(),
            loop=self._read_loop(),
            latency=self._read_latency(),
            drift_ppm=session.drift_ppm,
            slips=session.slips,
            marks=self._marks,
            recording=self._recorder.files[-1].name if self._recorder else "",
            recorded_s=self._recorder.seconds if self._recorder else 0.0,
            recording_lost_s=self._recorder.lost_s if self._recorder else 0.0,
            envelope=self._meters.envelope,
            trapezoid=self._meters.trapezoid,
        )

    def _read_meters(self) -> Meters:
        stages = self._desk.meters
        return Meters(
            **vars(self._meters.read()),
            gate_db=stages.get("gate.gain_db_now"),
            leveller_db=stages.get("leveller.gain_db_now"),
            compressor_db=stages.get("compressor.gain_db_now"),
            clipper_db=stages.get("clipper.clip_depth_db_now"),
        )

    def _read_loop(self) -> Loop:
        """Return the callback's counts, and its load in the last second."""
        whole, plan = self._session.whole, self._options.plan
        callbacks = int(whole[at.CALLBACKS])
        a_second = max(plan.rate_hz // plan.block_frames, 1)
        count = min(a_second, callbacks, at.LOADS)
        newest = self._words[at.LOAD + np.arange(callbacks - count, callbacks) % at.LOADS]
        loads_pct = 100.0 * np.percentile(newest, [50.0, 99.0, 100.0]) if count else np.zeros(3)
        median, p99, largest = loads_pct.tolist()
        return Loop(
            load_median_pct=median,
            load_p99_pct=p99,
            load_max_pct=largest,
            input_overflows=int(whole[at.INPUT_OVERFLOWS]),
            output_underflows=int(whole[at.OUTPUT_UNDERFLOWS]),
            cuts=max(self._desk.cuts - 1, 0),  # the first begins the session
            restarts=self._session.restarts,
        )

    def _read_latency(self) -> Latency:
        opened = self._session.opened
        return Latency(
            chain_ms=1000.0 * self._desk.latency_samples / SAMPLE_RATE_HZ,
            buffers_ms=1000.0 * opened.buffers_s if opened else 0.0,
            server_ms=1000.0 * opened.server_s if opened and opened.server_s is not None else None,
        )
