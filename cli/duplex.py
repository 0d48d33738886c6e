"""Playing a signal and recording what comes back, in one go, on one clock or on two."""

import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from carrierfloor.cli.player import (
    BLOCK_FRAMES,
    FIRST_PATIENCE_S,
    LATENCY_S,
    Player,
    close_or_leave,
)
from carrierfloor.cli.sound_devices import (
    INPUT,
    OUTPUT,
    Device,
    DeviceError,
    columns,
    quiet,
    refusal,
    share_a_clock,
    sounddevice,
)
from carrierfloor.dsp.intake import Intake
from carrierfloor.dsp.signals import Ramped
from carrierfloor.dsp.stage import Block

TAIL_S = 1.0  # recorded after the end: a sound server may hold half a second back


class Listener:
    """What an input delivers, kept from the moment the ``with`` block begins.

    Parameters
    ----------
    device : Device
        Where from.
    sample_rate_hz : int
        Of the device.
    channels : int
        How many to open.

    Attributes
    ----------
    gaps : int
        How often sound was lost.
    """

    def __init__(self, device: Device, sample_rate_hz: int, channels: int) -> None:
        self.gaps = 0
        self._device, self._rate_hz, self._channels = device, sample_rate_hz, channels
        self._blocks: list[NDArray[np.float32]] = []
        self._heard = threading.Event()
        self._sd = sounddevice()

    @property
    def frames(self) -> NDArray[np.float64]:
        """All frames so far, shape (n, channels)."""
        return np.concatenate(self._blocks, dtype=np.float64)

    def take(self, block: NDArray[np.float32], status: Any) -> None:
        """Keep the next frames, on PortAudio's own thread."""
        self.gaps += bool(status.input_overflow) and self._heard.is_set()
        self._blocks.append(block.copy())
        self._heard.set()

    def __enter__(self) -> Self:
        """Open the device and wait for its first frames.

        Raises
        ------
        DeviceError
            If it does not open or delivers nothing.
        """
        try:
            with quiet():
                self._stream = self._sd.InputStream(
                    device=self._device.index,
                    samplerate=self._rate_hz,
                    channels=self._channels,
                    blocksize=BLOCK_FRAMES,
                    latency=LATENCY_S,
                    dtype="float32",
                    callback=lambda block, _frames, _time, status: self.take(block, status),
                )
                self._stream.start()
        except self._sd.PortAudioError as error:
            raise refusal(self._device, self._rate_hz, error) from None
        if not self._heard.wait(FIRST_PATIENCE_S):
            close_or_leave(self._stream, is_well=False)
            raise DeviceError(f"{self._device} delivers no sound; is it in use or gone?")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        close_or_leave(self._stream, is_well=kind is None)


class _OneStream(Player):
    """A player that also records, through one stream for both."""

    tail_s = TAIL_S

    def __init__(self, device: Device, signal: Ramped, listener: Listener, **opened: Any) -> None:
        super().__init__(device, signal, **opened)
        self.listener = listener

    def _stream(self) -> Any:
        listener = self.listener
        return self._sd.Stream(
            device=(listener._device.index, self._device.index),
            channels=(listener._channels, self._channels),
            callback=self._both,
            **self._form(),
        )

    def _both(self, block: Any, out: Any, frames: int, when: Any, status: Any) -> None:
        self.listener.take(block, status)
        self._fill(out, frames, when, status)


class Duplex:
    """An output and an input, ready for signals to go through both.

    Parameters
    ----------
    output, input : Device
        Where the signal goes, and where it comes back.
    sample_rate_hz : int
        Of both.
    output_channel : str
        ``both``, ``left``, ``right`` or a number.
    input_channel : str
        ``mix``, ``left``, ``right`` or a number.

    Raises
    ------
    DeviceError
        If a device has no such channel.
    """

    def __init__(
        self,
        output: Device,
        input: Device,
        sample_rate_hz: int,
        output_channel: str = "both",
        input_channel: str = "mix",
    ) -> None:
        self._output, self._input, self._rate_hz = output, input, sample_rate_hz
        self.output_channels, self._columns = columns(
            output, OUTPUT, output_channel, "--output-channel"
        )
        heard = "both" if input_channel == "mix" else input_channel
        self._in_channels, _ = columns(input, INPUT, heard, "--channel")
        self._input_channel = input_channel

    def take(self, signal: Ramped, look: Callable[[int], None] = lambda position: None) -> Block:
        """Play a signal and return what was heard meanwhile, shape (n,).

        On Ctrl-C it ramps down first.

        Parameters
        ----------
        signal : Ramped
            With an end.
        look : callable
            Called ten times a second with the position in the signal.

        Raises
        ------
        DeviceError
            If a device cannot be used, fails, or loses sound.
        """
        listener = Listener(self._input, self._rate_hz, self._in_channels)
        opened: dict[str, Any] = {
            "sample_rate_hz": self._rate_hz,
            "channels": self.output_channels,
            "columns": self._columns,
        }

        def watch(position: int) -> None:
            if position <= 0:
                listener.gaps = 0  # what is lost before the beginning is not missed
            look(position)

        if share_a_clock(self._output, self._input):
            player: Player = _OneStream(self._output, signal, listener, **opened)
            player.play(watch)
        else:
            player = Player(self._output, signal, **opened)
            with listener:
                player.play(watch)
                time.sleep(TAIL_S)
        for device, gaps in ((self._output, player.gaps), (self._input, listener.gaps)):
            if gaps:
                raise DeviceError(
                    f"{device} lost sound during the sweep ({gaps} times); close what keeps the "
                    "computer busy and measure again"
                )
        intake = Intake(self._in_channels, self._input_channel)
        return intake.process(listener.frames)
