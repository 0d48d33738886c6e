"""The options of ``tone`` and ``devices``."""

import argparse
from pathlib import Path
from typing import Any

Commands = Any  # argparse names the type of a group of sub-commands with an underscore

EPILOG = """\
examples:
  carrierfloor tone sine --frequency 1000 --level -20 --output "usb audio"
  carrierfloor tone two-tone --rig my-rig.toml --level 90 --output 3
  carrierfloor tone staircase --rig my-rig.toml --out stairs.wav --report stairs.json
  carrierfloor tone sweep --out sweep.wav

Connect the transmitter to a dummy load before you key it.
"""
# (kind, what it is, default frequencies)
KINDS: tuple[tuple[str, str, tuple[float, ...]], ...] = (
    ("sine", "one tone", (1000.0,)),
    ("two-tone", "two tones of equal level", (700.0, 1900.0)),
    ("staircase", "a tone that holds one level after another", (1000.0,)),
    ("sweep", "exponential sweep, to measure the path", ()),
    ("noise", "noise with the long-term spectrum of speech", ()),
)
BANDS = {"sweep": (20.0, 10_000.0), "noise": (50.0, 5000.0)}  # defaults
LEVEL = "in dBFS, or with --rig in %% modulation at 1 kHz"


def add_devices(commands: Commands) -> None:
    """Add the command ``devices``."""
    parser = commands.add_parser(
        "devices",
        help="list the sound devices",
        description="List the sound devices. An option that takes a DEVICE takes its number, its "
        "name, or any words of name and host API that fit no other.",
    )
    parser.set_defaults(run=_devices)


def _devices(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli import devices

    return devices.list_all()


def add_tone(commands: Commands) -> None:
    """Add the command ``tone`` with a sub-command for each kind of signal."""
    parser = commands.add_parser(
        "tone",
        help="play or write test signals for the transmitter's audio input",
        description="Test signals for the transmitter's audio input, into a file, to a sound\n"
        "device, or both. They begin and end with a ramp.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    kinds = parser.add_subparsers(dest="kind", metavar="KIND", required=True)
    for kind, what, frequencies_hz in KINDS:
        one = kinds.add_parser(kind, help=what, description=f"Test signal: {what}.")
        _add_signal(one, kind, frequencies_hz)
        _add_common(one)
    parser.set_defaults(run=_tone)


def _add_signal(
    parser: argparse.ArgumentParser, kind: str, frequencies_hz: tuple[float, ...]
) -> None:
    if len(frequencies_hz) == 1:
        parser.add_argument(
            "--frequency",
            type=float,
            nargs=1,
            metavar="HZ",
            default=frequencies_hz,
            dest="frequencies",
            help=f"of the tone ({frequencies_hz[0]:g})",
        )
    elif frequencies_hz:
        usual = " ".join(f"{hz:g}" for hz in frequencies_hz)
        parser.add_argument(
            "--frequencies",
            type=float,
            nargs=2,
            metavar="HZ",
            default=frequencies_hz,
            help=f"of the tones ({usual})",
        )
    else:
        for option, usual_hz in zip(("lowest", "highest"), BANDS[kind], strict=True):
            parser.add_argument(
                f"--{option}",
                type=float,
                metavar="HZ",
                default=usual_hz,
                help=f"{option} frequency ({usual_hz:g})",
            )
    if kind == "staircase":
        _add_steps(parser)
        return
    parser.add_argument("--level", type=float, metavar="L", help=f"peak {LEVEL} (-20 dBFS, 30 %%)")
    parser.add_argument("--seconds", type=float, default=10.0, metavar="S", help="length (10)")
    if kind != "sweep":
        parser.add_argument(
            "--endless", action="store_true", help="play until Ctrl-C, with --output only"
        )


def _add_steps(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--first", type=float, metavar="L", help=f"level of the first step {LEVEL} (-40 or 10)"
    )
    parser.add_argument(
        "--last",
        type=float,
        metavar="L",
        help="level that the last step does not pass (-6, or the rig's lower limit)",
    )
    parser.add_argument(
        "--step", type=float, metavar="L", help="from one level to the next (2 dB or 10 %%)"
    )
    parser.add_argument("--hold", type=float, default=3.0, metavar="S", help="length of a step (3)")
    parser.add_argument(
        "--polarity-step",
        action="store_true",
        help="one step more, half-way: two tones whose positive peaks are twice as high as their "
        "negative ones, from which carrierfloor level learns the polarity",
    )


def _add_common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", type=Path, metavar="FILE", help="write a .wav or .flac file")
    parser.add_argument(
        "--output", metavar="DEVICE", help="play: number or words of the name; default; see devices"
    )
    parser.add_argument(
        "--rig",
        metavar="NAME_OR_FILE",
        help="the transmitter: levels in %% modulation, its polarity, its limits held",
    )
    parser.add_argument(
        "--channel", default="both", metavar="C", help="of DEVICE: both (default), left, right, N"
    )
    parser.add_argument(
        "--rate", type=int, default=48_000, metavar="HZ", help="sample rate (48000)"
    )
    parser.add_argument(
        "--subtype", metavar="TYPE", help="of FILE: PCM_16 (dithered), PCM_24 (default), FLOAT, ..."
    )
    parser.add_argument(
        "--ramp",
        type=float,
        default=50.0,
        metavar="MS",
        help="length of the ramps, and of the glide between steps (50)",
    )
    parser.add_argument(
        "--report", type=Path, metavar="FILE", help="save what was made, with all steps, as .json"
    )


def _tone(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.tone import tone
    from carrierfloor.cli.tone_signal import Wanted

    given = vars(arguments)
    options = {
        "level": "level",
        "seconds": "seconds",
        "endless": "endless",
        "first": "first",
        "last": "last",
        "step": "step",
        "hold": "hold_s",
        "polarity_step": "polarity_step",
        "lowest": "lowest_hz",
        "highest": "highest_hz",
        "rig": "rig",
        "rate": "rate_hz",
        "ramp": "ramp_ms",
    }
    wanted = {field: given[option] for option, field in options.items() if option in given}
    if "frequencies" in given:
        wanted["frequencies_hz"] = tuple(arguments.frequencies)
    return tone(
        Wanted(kind=arguments.kind, **wanted),
        out=arguments.out,
        sample_type=arguments.subtype,
        output=arguments.output,
        channel=arguments.channel,
        save_report=arguments.report,
    )
