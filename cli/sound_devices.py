"""Sound devices: the list of them, the choice of one, and whether it can do what is wanted."""

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from carrierfloor.dsp.errors import CarrierfloorError

INPUT, OUTPUT = "input", "output"
MOST_CHOICES = 12  # named in a refusal
JACK = "JACK Audio Connection Kit"  # one clock for all its devices
INVALID_SAMPLE_RATE = -9997  # PortAudio's paInvalidSampleRate (portaudio.h)
NO_LIBRARY = (
    "the PortAudio library is missing; install it: sudo apt install libportaudio2 (Debian, "
    "Ubuntu), sudo dnf install portaudio (Fedora) or sudo pacman -S portaudio (Arch); sound files "
    "are read and written without it"
)
NO_DEVICES = (
    "there is no sound device; plug one in or start the sound server, and see that you may use "
    "it (on Linux: group audio)"
)
SERVED = ("default", "pulse", "pipewire")  # ALSA's names of what a sound server decides
# A server that loses a device would else connect the stream to any other, such as our own output.
KEEP_PLACE = {
    "PIPEWIRE_ALSA": "{ node.dont-reconnect=true }",
    "PIPEWIRE_PROPS": "{ node.dont-reconnect=true }",
}


class DeviceError(CarrierfloorError):
    """A sound device cannot be used."""


@dataclass(frozen=True, kw_only=True)
class Device:
    """One sound device as one of the system's host APIs shows it."""

    index: int
    name: str
    host_api: str
    input_channels: int
    output_channels: int
    default_rate_hz: float
    is_default_input: bool
    is_default_output: bool

    def channels(self, direction: str) -> int:
        """Return how many channels it has in a direction."""
        return self.input_channels if direction == INPUT else self.output_channels

    def is_default(self, direction: str) -> bool:
        """Tell whether the system takes it when nothing is asked for."""
        return self.is_default_input if direction == INPUT else self.is_default_output

    def __str__(self) -> str:
        return f"{self.name} ({self.host_api})"


def sounddevice() -> Any:
    """Import sounddevice, the only place that does; a command without sound needs no PortAudio.

    Raises
    ------
    DeviceError
        If the PortAudio library is missing.
    """
    for name, value in KEEP_PLACE.items():
        os.environ.setdefault(name, value)
    try:
        import sounddevice as sd
    except OSError:
        raise DeviceError(NO_LIBRARY) from None
    return sd


def devices() -> list[Device]:
    """Return all sound devices; the list is as old as the first call.

    Raises
    ------
    DeviceError
        If the PortAudio library is missing, or there is no device.
    """
    sd = sounddevice()
    host_apis = sd.query_hostapis()
    default_input, default_output = sd.default.device
    found = [
        Device(
            index=index,
            name=entry["name"],
            host_api=host_apis[entry["hostapi"]]["name"],
            input_channels=entry["max_input_channels"],
            output_channels=entry["max_output_channels"],
            default_rate_hz=entry["default_samplerate"],
            is_default_input=index == default_input,
            is_default_output=index == default_output,
        )
        for index, entry in enumerate(sd.query_devices())
    ]
    if not found:
        raise DeviceError(NO_DEVICES)
    return found


def choose(wanted: str, direction: str, option: str = "") -> Device:
    """Return the device that a user means.

    Parameters
    ----------
    wanted : str
        Its index, its name, parts of name and host API that only it has ("usb alsa"), or
        ``default``.
    direction : str
        ``INPUT`` or ``OUTPUT``: others are not considered.
    option : str
        What is named in a refusal, if not the direction.

    Raises
    ------
    DeviceError
        If there is none or more than one; it lists the choices.
    """
    able = [device for device in devices() if device.channels(direction)]
    matching = _matching(wanted, able, direction)
    if len(matching) == 1:
        return matching[0]
    asked = f"--{option or direction} {wanted}"
    if matching:
        raise DeviceError(
            f"{asked}: {len(matching)} devices match, {_list(matching)}; give the number, or more "
            "of the name"
        )
    choices = f"choose from {_list(able)}" if able else f"no device has an {direction}"
    raise DeviceError(f"{asked}: no such {direction} device; {choices}")


def _matching(wanted: str, able: Sequence[Device], direction: str) -> list[Device]:
    if wanted.isdecimal():
        return [device for device in able if device.index == int(wanted)]
    words = wanted.casefold().split()
    exact = [
        device
        for device in able
        if wanted.casefold() in (device.name.casefold(), str(device).casefold())
    ]
    if not exact and words == ["default"]:
        return [device for device in able if device.is_default(direction)]
    return exact or [device for device in able if _has_all(words, str(device).casefold())]


def _has_all(words: Sequence[str], name: str) -> bool:
    return bool(words) and all(word in name for word in words)


def _list(able: Sequence[Device]) -> str:
    shown = ", ".join(f"{device.index} {device}" for device in able[:MOST_CHOICES])
    return shown + (", ... (carrierfloor devices)" if len(able) > MOST_CHOICES else "")


def columns(
    device: Device, direction: str, channel: str, option: str = "--channel"
) -> tuple[int, list[int]]:
    """Return how many channels to open, and which of them, from 0, are meant.

    Parameters
    ----------
    device : Device
        Whose channels.
    direction : str
        ``INPUT`` or ``OUTPUT``.
    channel : str
        ``both`` (the only one of a device with one), ``left``, ``right`` or a number from 1.
    option : str
        Where the user wrote it.

    Raises
    ------
    DeviceError
        If the device has no such channel.
    """
    has = device.channels(direction)
    if channel == "both":
        return min(2, has), list(range(min(2, has)))
    number = {"left": "1", "right": "2"}.get(channel, channel)
    if not number.isdecimal() or not 1 <= int(number) <= has:
        everything = "both" if direction == OUTPUT else "mix"
        raise DeviceError(
            f"{option} {channel}: {device} has {has} {direction} channel"
            f"{'s' if has != 1 else ''}; give {everything}, left, right or a number up to {has}"
        )
    return max(int(number), min(2, has)), [int(number) - 1]


def check_output(device: Device, channels: int, rate_hz: int) -> None:
    """Refuse a rate that an output does not do.

    Raises
    ------
    DeviceError
        In PortAudio's own words if it is not the rate.
    """
    sd = sounddevice()
    try:
        with quiet():
            sd.check_output_settings(
                device=device.index, channels=channels, dtype="float32", samplerate=rate_hz
            )
    except sd.PortAudioError as error:
        raise refusal(device, rate_hz, error) from None


def share_a_clock(first: Device, second: Device) -> bool:
    """Tell whether two devices run on one clock and can share a stream.

    A sound server behind ALSA may record from one card and play on another.
    """
    if first.host_api == second.host_api == JACK:
        return True
    return first.index == second.index and first.name not in SERVED


def refusal(device: Device, rate_hz: int, error: Exception) -> DeviceError:
    """Return what to tell a user about an error of PortAudio's."""
    if INVALID_SAMPLE_RATE in error.args:
        return DeviceError(
            f"{device} does not do {rate_hz} Hz; try --rate {device.default_rate_hz:.0f}"
        )
    return DeviceError(f"{device} cannot be used: {error.args[0]}")


@contextmanager
def quiet() -> Iterator[None]:
    """Keep PortAudio's and ALSA's own lines off the screen; they say nothing to a user."""
    sys.stderr.flush()
    before = os.dup(2)
    try:
        with suppress(OSError), open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), 2)
        yield
    finally:
        os.dup2(before, 2)
        os.close(before)
