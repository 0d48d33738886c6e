"""The live desk: several voices side by side on one microphone, one of them heard.

    microphone -> entry -> voice A ----> fader -+
                        -> voice B ----> fader -+-> fader -> limiter -> output -> sound card
                        -> bypass -----> fader -+

All voices run all the time, so that a change between them is a crossfade of two voices that are
settled.  What is mixed goes through one limiter, which is never changed while it is heard: the
promise at the antenna holds through every change.  To change the rig, the desk goes silent first.

This is the steering side.  The audio side is the compiled loop in desk_kernel.py; the two share
nothing but one flat block of memory (desk_layout.py), which may lie between two processes.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np

from carrierfloor.dsp import desk_layout as at
from carrierfloor.dsp.antenna import ring_samples
from carrierfloor.dsp.desk_stages import (
    LoadedVoice,
    closing_stages,
    context_of,
    shaping_stages,
    write_stages,
)
from carrierfloor.dsp.drive import GAIN, gain_of
from carrierfloor.dsp.entry import build_entry
from carrierfloor.dsp.equaliser import equaliser_of, sections_behind_limiter
from carrierfloor.dsp.output_filter import delay_samples
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import HOP, SAMPLE_RATE_HZ, CompiledStage
from carrierfloor.dsp.voice import Voice

MEMORY_BYTES = 8 * at.WORDS
SETTLING_HOPS = 375  # a second: as long a new voice runs unheard before it is faded in
LEAVING_HOPS = 4  # after which the audio side has surely left a slot
BYPASS = Voice(name="Bypass", description="nothing but the limiter")


class Desk:
    """Steer a live desk.

    Parameters
    ----------
    memory : buffer
        ``MEMORY_BYTES`` writable bytes, zero at first; shared with the audio side.
    highest_hz : float
        The highest frequency that the output can carry.

    Attributes
    ----------
    words, whole : ndarray of float64 and of int64, shape (desk_layout.WORDS,)
        The memory.
    """

    def __init__(self, memory: Any, *, highest_hz: float = SAMPLE_RATE_HZ / 2) -> None:
        self.words = np.frombuffer(memory, dtype=np.float64, count=at.WORDS)
        self.whole = np.frombuffer(memory, dtype=np.int64, count=at.WORDS)
        self._highest_hz = highest_hz
        self._slots: list[LoadedVoice | None] = [None] * at.SLOTS
        self._slot_of: dict[str, int] = {}
        self._coming: dict[str, tuple[int, int]] = {}  # slot, and the hop from which it is ready
        self._leaving: dict[int, int | None] = {}  # slot: the hop from which it is free
        self._waiting: dict[str, Voice] = {}
        self._heard = ""

    def set_up(self, rig: Rig, voices: Mapping[str, Voice], heard: str) -> None:
        """Load everything, while the audio side is silent.

        Parameters
        ----------
        rig : Rig
            The transmitter.
        voices : mapping
            At most ``SLOTS - 1`` voices by name; one slot is kept for changes.
        heard : str
            The name of the one that is heard.

        Raises
        ------
        SettingError
            If a voice or the rig cannot be used live; nothing has changed then.
        """
        if self.is_running:
            raise RuntimeError("the desk is running")
        if len(voices) >= at.SLOTS:
            raise RuntimeError(f"{len(voices)} voices; a desk has room for {at.SLOTS - 1}")
        context = context_of(rig, self._highest_hz)
        loaded = [LoadedVoice(voice, shaping_stages(voice, context)) for voice in voices.values()]
        closing = closing_stages(rig, self._highest_hz)
        self._rig, self._context = rig, context
        self._slots = [*loaded, *[None] * (at.SLOTS - len(loaded))]
        self._slot_of = {name: slot for slot, name in enumerate(voices)}
        self._coming, self._leaving, self._waiting = {}, {}, {}
        self.whole[at.LOADED : at.LOADED + at.SLOTS] = 0
        for slot, one in enumerate(loaded):
            self._write_slot(slot, one)
        self._write_closing(closing)
        entry = build_entry()
        self.words[at.ENTRY : at.ENTRY_END] = entry.initial_state
        self.words[at.HEARD : at.HEARD + at.SLOTS] = 0.0
        self._heard = heard
        self.whole[at.CHOSEN] = self._slot_of[heard]
        self.words[at.HEARD + self._slot_of[heard]] = 1.0

    def check(self, rig: Rig) -> None:
        """Refuse a rig that cannot be used live, or with the voices in use.

        Raises
        ------
        SettingError
            Says why.
        """
        context = context_of(rig, self._highest_hz)
        for key in self.keys:
            shaping_stages(self.voice(key), context)
        closing_stages(rig, self._highest_hz)

    # ---- what is heard

    @property
    def keys(self) -> tuple[str, ...]:
        """The names of the voices."""
        return tuple(self._slot_of)

    @property
    def heard(self) -> str:
        """The name of the voice that is heard."""
        return self._heard

    def choose(self, name: str) -> None:
        """Change to another voice."""
        self._heard = name
        self.whole[at.CHOSEN] = self._slot_of[name]

    def voice(self, name: str) -> Voice:
        """Return the voice that is in use under a name."""
        return self._loaded(name).voice

    def replace(self, name: str, voice: Voice) -> None:
        """Put another voice in place of one, without a click; it is heard in a second or two.

        Raises
        ------
        SettingError
            If it cannot be used live; nothing has changed then.
        """
        shaping_stages(voice, self._context)  # refused now rather than later
        self._waiting[name] = voice
        self.tend()

    def tend(self) -> None:
        """Do what is due; call it some ten times a second."""
        hops = int(self.whole[at.HOPS])
        for name, (slot, ready) in list(self._coming.items()):
            if hops >= ready:
                del self._coming[name]
                self._leaving[self._slot_of[name]] = None
                self._slot_of[name] = slot
                self.whole[at.CHOSEN] = self._slot_of[self._heard]
        for slot, free in list(self._leaving.items()):
            if free is None and self.words[at.HEARD + slot] == 0.0:
                self.whole[at.LOADED + slot] = 0
                self._leaving[slot] = hops + LEAVING_HOPS
            elif free is not None and (hops >= free or not self.is_running):
                del self._leaving[slot]
                self._slots[slot] = None
        for name, voice in list(self._waiting.items()):
            if None in self._slots and name not in self._coming:
                del self._waiting[name]
                self._bring(name, voice, hops)

    def _bring(self, name: str, voice: Voice, hops: int) -> None:
        slot = self._slots.index(None)
        loaded = LoadedVoice(voice, shaping_stages(voice, self._context))
        self._slots[slot] = loaded
        self._write_slot(slot, loaded)
        self._coming[name] = (slot, hops + SETTLING_HOPS)

    # ---- faders and gains

    @property
    def is_open(self) -> bool:
        """Whether the fader in front of the limiter is up, or on its way."""
        return bool(self.whole[at.OPEN])

    def open(self) -> None:
        """Let the fader go up."""
        self.whole[at.OPEN] = 1

    def close(self) -> None:
        """Let the fader go down: silence in 5 ms, the limiter's look-ahead and ``rest_s``."""
        self.whole[at.OPEN] = 0

    @property
    def is_silent(self) -> bool:
        """Whether the fader is down; sound may still be on its way through the limiter."""
        return bool(self.words[at.LEVEL] == 0.0)

    def drive_db(self, name: str) -> float | None:
        """Return the drive of a voice; ``None`` if it has no drive stage."""
        drives = [stage for stage in self._loaded(name).stages if stage.kind == "drive"]
        return 20.0 * float(np.log10(drives[0].coefficients[GAIN])) if drives else None

    def set_drive(self, name: str, drive_db: float) -> None:
        """Let the drive of a voice glide to another value; a replaced voice has its own again.

        Raises
        ------
        SettingError
            If it is out of range, or the voice has no drive stage.
        """
        self._loaded(name).voice.with_drive(drive_db)
        for stage in self._loaded(name).stages:
            if stage.kind == "drive":
                stage.coefficients[GAIN] = gain_of(drive_db)

    def set_gain(self, name: str, gain_db: float) -> None:
        """Let the gain behind a voice glide to another value."""
        self.words[at.GAINS + self._slot_of[name]] = 10.0 ** (gain_db / 20.0)

    # ---- running

    @property
    def is_running(self) -> bool:
        """Whether the audio side works; it may take a block to follow :meth:`start`."""
        return bool(self.whole[at.RUNNING])

    def start(self) -> None:
        """Let the audio side work, from a cut on."""
        self.whole[at.RUN] = 1

    def stop(self) -> None:
        """Let the audio side be silent and touch nothing from its next block on."""
        self.whole[at.RUN] = 0

    def forsake(self) -> None:
        """Take note that the audio side is gone, and stop."""
        self.stop()
        self.whole[at.RUNNING] = 0

    @property
    def cuts(self) -> int:
        """How often the output was cut and begun anew, the first time included."""
        return int(self.whole[at.CUTS])

    # ---- readings

    @property
    def rig(self) -> Rig:
        """The rig in use."""
        return self._rig

    def slot_of(self, name: str) -> int:
        """Return the slot that a voice is in."""
        return self._slot_of[name]

    @property
    def latency_samples(self) -> int:
        """Delay of the voice that is heard, at 48 kHz."""
        shaping = self._loaded(self._heard).latency_samples
        behind = delay_samples(sections_behind_limiter(self._rig, self._highest_hz))
        return HOP + shaping + sum(stage.latency_samples for stage in self._closing) + behind

    @property
    def rest_s(self) -> float:
        """How long the rig's equaliser goes on after the fader and the limiter are silent."""
        return equaliser_of(self._rig).rest_samples / SAMPLE_RATE_HZ

    @property
    def meters(self) -> Mapping[str, float]:
        """Readings of the voice that is heard, and of the limiter; see ``Chain.meters``."""
        stages = (*self._loaded(self._heard).stages, *self._closing)
        return {
            f"{stage.kind}.{reading}": float(value)
            for stage in stages
            for reading, value in stage.meters.items()
        }

    @property
    def has_fault(self) -> bool:
        """Whether the output met an impossible sample and is silent since."""
        return bool(self._closing[-1].meters["fault"])

    def _loaded(self, name: str) -> LoadedVoice:
        loaded = self._slots[self._slot_of[name]]
        assert loaded is not None
        return loaded

    def _write_slot(self, slot: int, loaded: LoadedVoice) -> None:
        """Fill a slot that the audio side does not look at, then show it."""
        start = at.ARENAS + slot * at.SLOT_SIZE
        where = slice(start, start + at.SLOT_SIZE)
        write_stages(self.words, self.whole, slot, loaded.stages, where)
        self.words[at.GAINS + slot] = self.words[at.GAINS_NOW + slot] = 1.0
        self.whole[at.LOADED + slot] = 1

    def _write_closing(self, stages: tuple[CompiledStage, ...]) -> None:
        where = slice(at.CLOSING, at.CLOSING_INITIAL)
        write_stages(self.words, self.whole, at.SLOTS, stages, where)
        self.words[at.CLOSING_INITIAL : at.RAW] = self.words[at.CLOSING : at.CLOSING_INITIAL]
        ring = max((ring_samples(path) for path in self._rig.paths), default=0)
        self.whole[at.HOLD] = ring
        self._closing = stages
