"""Which devices are opened as one stream."""

import pytest

from carrierfloor.cli.sound_devices import JACK, Device, share_a_clock


def device(index: int, name: str, host_api: str = "ALSA") -> Device:
    return Device(
        index=index,
        name=name,
        host_api=host_api,
        input_channels=2,
        output_channels=2,
        default_rate_hz=48_000.0,
        is_default_input=False,
        is_default_output=False,
    )


@pytest.mark.parametrize(
    ("first", "second", "shared"),
    [
        (device(0, "USB Audio: - (hw:1,0)"), device(0, "USB Audio: - (hw:1,0)"), True),
        (device(0, "USB Audio: - (hw:1,0)"), device(1, "HDA: - (hw:0,0)"), False),
        (device(4, "pulse"), device(4, "pulse"), False),  # may be two cards behind the server
        (device(5, "system", JACK), device(6, "playback", JACK), True),
    ],
)
def test_one_clock(first: Device, second: Device, shared: bool) -> None:
    assert share_a_clock(first, second) is shared
