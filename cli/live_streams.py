"""The open sound devices of a live session, with compiled callbacks on the session's memory."""

import threading
from typing import Any

import numpy as np
from numpy.typing import NDArray

from carrierfloor.cli import live_callback
from carrierfloor.cli.live_plan import Opened, Plan
from carrierfloor.cli.sound_devices import (
    INPUT,
    OUTPUT,
    Device,
    DeviceError,
    choose,
    columns,
    quiet,
    refusal,
    share_a_clock,
    sounddevice,
)
from carrierfloor.dsp import desk_layout
from carrierfloor.dsp import live_layout as at
from carrierfloor.dsp.bridge import bridge_coefficients, bridge_latency_samples, bridge_state
from carrierfloor.dsp.bridge_layout import BRIDGE_COEFFICIENTS_SIZE, BRIDGE_STATE_SIZE
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

LONGEST_S = 2.0  # a latency beyond is a wrong reading
SPARE_SAMPLES = 8  # two conversions in a row may each ask for one sample more than usual
LUMP = 1.5  # what both ends may move at once, of the latency asked for; PulseAudio 32 of 50 ms
WAITING_BLOCKS = 2.0  # between two clocks, so that neither ever finds nothing


class Streams:
    """Open what a plan asks for and start it.

    Parameters
    ----------
    plan : Plan
        The devices and how to open them.
    whole : ndarray of int64, shape (live_layout.END,)
        The session's memory.

    Raises
    ------
    DeviceError
        If a device cannot be used.
    """

    def __init__(self, plan: Plan, whole: NDArray[np.int64]) -> None:
        self._plan, self._whole, self._words = plan, whole, whole.view(np.float64)
        self._sd = sounddevice()
        self._input = choose(plan.input, INPUT)
        self._output = choose(plan.output, OUTPUT)
        self._monitor = choose(plan.monitor, OUTPUT, "monitor") if plan.monitor else None
        self._one_stream = plan.one_clock or share_a_clock(self._input, self._output)
        if self._one_stream and self._input.host_api != self._output.host_api:
            raise DeviceError(
                f"--one-clock: {self._input} and {self._output} are of two host APIs and cannot "
                "share a stream; choose devices of one, or leave it out"
            )
        self._ended = threading.Event()
        self._streams: list[Any] = []
        self._tell_channels()
        self._tell_rates()
        self._start_all()

    @property
    def have_ended(self) -> bool:
        """Whether a stream has stopped by itself."""
        return self._ended.is_set() or not all(stream.active for stream in self._streams)

    def close(self) -> None:
        """Close all; it may never return."""
        for stream in self._streams:
            stream.stop()
            stream.close()

    @property
    def opened(self) -> Opened:
        """What was opened."""
        of_sound = self._streams[: 1 if self._one_stream else 2]
        believed_s = float(sum(np.sum(stream.latency) for stream in of_sound))
        return Opened(
            input=str(self._input),
            output=str(self._output),
            monitor=str(self._monitor) if self._monitor else "",
            one_stream=self._one_stream,
            buffers_s=self._blocks_s + self._bridges_s(),
            server_s=max(believed_s - self._blocks_s, 0.0) if believed_s < LONGEST_S else None,
        )

    def _tell_channels(self) -> None:
        """Tell the callbacks which channels they use."""
        plan, whole = self._plan, self._whole
        channel = "both" if plan.input_channel == "mix" else plan.input_channel
        whole[at.IN_CHANNELS], whole[at.IN_COLUMN] = _channels(
            self._input, INPUT, channel, "--input-channel"
        )
        channel = plan.output_channel
        whole[at.OUT_CHANNELS], whole[at.OUT_COLUMN] = _channels(self._output, OUTPUT, channel)
        whole[at.MONITOR_CHANNELS] = 0
        if self._monitor is not None:
            whole[at.MONITOR_CHANNELS], _ = _channels(self._monitor, OUTPUT, "both")
        whole[at.MONITORED] = whole[desk_layout.HOPS]
        whole[at.HAS_INPUT] = self._one_stream

    def _tell_rates(self) -> None:
        """Tell the callbacks of sample rates, and design the bridges between them."""
        rate_hz = self._plan.rate_hz
        self._whole[at.RATE_HZ] = rate_hz
        self._whole[at.OUT_BRIDGED] = rate_hz != SAMPLE_RATE_HZ
        self._set_bridge(at.IN_BRIDGE, self._input_rate_hz, SAMPLE_RATE_HZ, not self._one_stream)
        self._set_bridge(at.OUT_BRIDGE, SAMPLE_RATE_HZ, rate_hz, False)
        self._set_bridge(at.MONITOR_BRIDGE, SAMPLE_RATE_HZ, rate_hz, True)

    def _set_bridge(self, start: int, write_hz: float, read_hz: float, adaptive: bool) -> None:
        coefficients = bridge_coefficients(
            write_hz, read_hz, adaptive=adaptive, target_s=self._waiting_s if adaptive else 0.0
        )
        middle = start + BRIDGE_COEFFICIENTS_SIZE
        self._words[start : start + len(coefficients)] = coefficients
        in_step = not adaptive and write_hz != read_hz
        state = bridge_state(SPARE_SAMPLES if in_step else 0)
        self._words[middle : middle + BRIDGE_STATE_SIZE] = state

    def _start_all(self) -> None:
        if self._one_stream:
            both = (self._input, self._output)
            self._start("duplex", live_callback.for_output(), both, self._plan.rate_hz)
        else:
            self._start("input", live_callback.for_input(), (self._input,), self._input_rate_hz)
            self._start("output", live_callback.for_output(), (self._output,), self._plan.rate_hz)
        if self._monitor is not None:
            self._start("output", live_callback.for_monitor(), (self._monitor,), self._plan.rate_hz)

    def _start(self, kind: str, callback: Any, devices: tuple[Device, ...], rate_hz: int) -> None:
        sd, whole = self._sd, self._whole
        channels = {
            "duplex": (int(whole[at.IN_CHANNELS]), int(whole[at.OUT_CHANNELS])),
            "input": int(whole[at.IN_CHANNELS]),
            "output": int(whole[at.OUT_CHANNELS]),
        }[kind]
        if devices == (self._monitor,):
            channels = int(whole[at.MONITOR_CHANNELS])
        indices = tuple(device.index for device in devices)
        try:
            with quiet():
                stream = sd._StreamBase(
                    kind=kind,
                    device=indices if kind == "duplex" else indices[0],
                    channels=channels,
                    samplerate=rate_hz,
                    blocksize=self._plan.block_frames,
                    latency=self._plan.latency_s,
                    dtype="float32",
                    callback=sd._ffi.cast("PaStreamCallback*", callback.address),
                    userdata=sd._ffi.cast("void*", whole.ctypes.data),
                    finished_callback=self._ended.set,
                )
                stream.start()
        except sd.PortAudioError as error:
            raise refusal(devices[-1], rate_hz, error) from None
        self._streams.append(stream)

    @property
    def _input_rate_hz(self) -> int:
        return self._plan.rate_hz if self._one_stream else self._plan.input_rate_hz

    @property
    def _waiting_s(self) -> float:
        """What waits between two clocks; a server may move as much at once as its latency is."""
        blocks_s = WAITING_BLOCKS * self._plan.block_frames / self._plan.rate_hz
        return max(blocks_s, LUMP * self._plan.latency_s)

    @property
    def _blocks_s(self) -> float:
        """A block in and a block out, which PortAudio counts too."""
        block = self._plan.block_frames
        return block / self._input_rate_hz + block / self._plan.rate_hz

    def _bridges_s(self) -> float:
        """Return what converting rates takes, of which PortAudio knows nothing."""
        seconds = 0.0
        bridges = ((at.IN_BRIDGE, self._input_rate_hz), (at.OUT_BRIDGE, SAMPLE_RATE_HZ))
        for start, write_hz in bridges:
            coefficients = self._words[start : start + BRIDGE_COEFFICIENTS_SIZE]
            seconds += bridge_latency_samples(coefficients) / write_hz
        return seconds + (0.0 if self._one_stream else self._waiting_s)


def _channels(
    device: Device, direction: str, channel: str, option: str = "--channel"
) -> tuple[int, int]:
    """Return how many channels to open, and the one that is used or ALL."""
    opened, used = columns(device, direction, channel, option)
    return opened, used[0] if len(used) == 1 else at.ALL
