"""Playing a test signal on a sound device, from silence to silence whatever happens."""

import atexit
import threading
import time
from collections.abc import Callable
from typing import Any, Protocol

from carrierfloor.cli.sound_devices import Device, DeviceError, quiet, refusal, sounddevice
from carrierfloor.dsp.stage import Block

LATENCY_S = 0.1  # asked of the device: nobody waits for a test signal, and gaps would spoil it
BLOCK_FRAMES = 1024
LEAD_S = 0.3  # silence before the beginning: PulseAudio was seen to swallow the first 50 ms
TAIL_S = 0.2  # silence after the end, so that a device which stops early cuts nothing off
LOOK_S = 0.1  # between two looks at the device
# A sound server may need seconds to start, and takes sound in bursts.
FIRST_PATIENCE_S, PATIENCE_S = 5.0, 2.0
CLOSING_S = 1.5  # PortAudio may never return from closing a device that is gone


class Playable(Protocol):
    """What a player plays, such as :class:`carrierfloor.dsp.signals.Ramped`."""

    @property
    def samples(self) -> int | None:
        """Where it ends, if it does."""
        ...

    @property
    def ramp_samples(self) -> int:
        """How long it takes to end it without a click."""
        ...

    def at(self, first: int, count: int) -> Block:
        """Return ``count`` samples from number ``first`` on; the player asks for each once."""
        ...

    def ending_at(self, end: int) -> "Playable":
        """Return the same, silent from ``end`` on."""
        ...


class Player:
    """A signal on its way to a device.

    Parameters
    ----------
    device : Device
        Where to.
    signal : Playable
        What; it ends by itself or by Ctrl-C.
    sample_rate_hz : int
        Of signal and device.
    channels : int
        How many to open.
    columns : list of int
        Which of them get the signal; the others stay silent.

    Attributes
    ----------
    position : int
        Samples handed over so far, below zero in the silence before the beginning.
    gaps : int
        How often the device ran dry, once the signal has begun.
    """

    tail_s, look_s = TAIL_S, LOOK_S

    def __init__(
        self,
        device: Device,
        signal: Playable,
        *,
        sample_rate_hz: int,
        channels: int,
        columns: list[int],
    ) -> None:
        self.position, self.gaps = -round(LEAD_S * sample_rate_hz), 0
        self._device, self._signal, self._rate_hz = device, signal, sample_rate_hz
        self._channels, self._columns = channels, columns
        self._calls, self._end_now = 0, False
        self._done = threading.Event()
        self._sd = sounddevice()

    def play(self, look: Callable[[int], None] = lambda position: None) -> None:
        """Play to the end.  On Ctrl-C ramp down first, then pass it on.

        Parameters
        ----------
        look : callable
            Called every ``look_s`` with the position.

        Raises
        ------
        DeviceError
            If the device does not open, or fails or stalls meanwhile.
        """
        stream = self._open()
        try:
            with quiet():
                stream.start()
            try:
                self._wait(look)
            except KeyboardInterrupt:
                self._end_now = True
                self._wait(look)
                raise
        except self._sd.PortAudioError as error:
            raise refusal(self._device, self._rate_hz, error) from None
        finally:
            close_or_leave(stream, is_well=self._over(0.0))

    def stop(self) -> None:
        """Ramp down; :meth:`play`, running in another thread, then returns."""
        self._end_now = True

    def _open(self) -> Any:
        try:
            with quiet():
                return self._stream()
        except self._sd.PortAudioError as error:
            raise refusal(self._device, self._rate_hz, error) from None

    def _stream(self) -> Any:
        return self._sd.OutputStream(
            device=self._device.index, channels=self._channels, callback=self._fill, **self._form()
        )

    def _form(self) -> dict[str, Any]:
        """Return what any stream of this player has."""
        return {
            "samplerate": self._rate_hz,
            "blocksize": BLOCK_FRAMES,
            "latency": LATENCY_S,
            "dtype": "float32",
            "finished_callback": self._done.set,
        }

    def _fill(self, out: Any, frames: int, _time: Any, status: Any) -> None:
        """Hand over the next samples, on PortAudio's own thread."""
        out.fill(0.0)  # first: what is left untouched would be played again and again
        self._calls += 1
        self.gaps += bool(status.output_underflow) and self.position >= 0
        if self._end_now:
            self._signal = self._signal.ending_at(self.position + self._signal.ramp_samples)
            self._end_now = False
        out[:, self._columns] = self._signal.at(self.position, frames)[:, None]
        self.position += frames
        if self._over(self.tail_s):
            raise self._sd.CallbackStop

    def _over(self, tail_s: float) -> bool:
        end = self._signal.samples
        return end is not None and self.position >= end + tail_s * self._rate_hz

    def _wait(self, look: Callable[[int], None]) -> None:
        """Wait for the end; a device that takes nothing any more counts as failed."""
        calls, since_s = -1, time.monotonic()
        while not self._done.wait(self.look_s):
            look(self.position)
            if self._calls != calls:
                calls, since_s = self._calls, time.monotonic()
            started = self.position > self._rate_hz
            if time.monotonic() - since_s > (PATIENCE_S if started else FIRST_PATIENCE_S):
                raise DeviceError(f"{self._device} takes no more sound; is it gone?")
        if not self._over(0.0):
            raise DeviceError(f"{self._device} stopped by itself; is it gone?")


def close_or_leave(stream: Any, *, is_well: bool) -> None:
    """Close a stream; leave one behind that does not let itself be closed.

    Parameters
    ----------
    stream : sounddevice stream
        Any.
    is_well : bool
        Whether it has done what was asked of it.
    """
    closing = threading.Thread(target=stream.close, daemon=True)
    closing.start()
    closing.join(CLOSING_S)
    if closing.is_alive() or not is_well:
        # What sounddevice does at exit would hang too, or end in an abort inside PortAudio.
        atexit.unregister(sounddevice()._exit_handler)
