"""The command ``devices``: what sound can come from and go to."""

from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.sound_devices import Device, devices

NAME_WIDTH = 16  # at least; what is longer goes on in the next line


def list_all() -> int:
    """List all sound devices.

    Raises
    ------
    DeviceError
        If the PortAudio library is missing, or there is no device.
    """
    table = screen.table()
    table.add_column("No", justify="right", style="bold", no_wrap=True)
    table.add_column("Device", overflow="fold", min_width=NAME_WIDTH)
    table.add_column("Host API")
    for title in ("In", "Out", "Rate"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("Default", no_wrap=True)
    for device in devices():
        table.add_row(
            str(device.index),
            Text(device.name),
            device.host_api,
            str(device.input_channels or ""),
            str(device.output_channels or ""),
            f"{device.default_rate_hz:.0f} Hz",
            _default(device),
        )
    screen.results().print(table)
    return 0


def _default(device: Device) -> str:
    marks = {"in": device.is_default_input, "out": device.is_default_output}
    return ", ".join(name for name, is_default in marks.items() if is_default)
