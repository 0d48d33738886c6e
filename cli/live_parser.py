"""The options of ``live``."""

import argparse
from pathlib import Path

from carrierfloor.cli.keys_option import add_keys_option
from carrierfloor.cli.tone_parser import Commands

EPILOG = """\
examples:
  carrierfloor live --output "usb audio" --rig my-rig.toml
  carrierfloor live --input 2 --output 3 --voice wide --voice-b dense --match
  carrierfloor live --output 3 --plain --log today.csv --record today.wav

Set levels into a dummy load before you go on the air.
"""


def add_live(commands: Commands) -> None:
    """Add the command ``live``."""
    parser = commands.add_parser(
        "live",
        help="microphone in, processed audio into the exciter, with meters",
        description="Process a microphone live. The output starts silent, ramps up once sound has\n"
        "moved for a while, goes silent on any fault and comes back by itself.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    _add_devices(parser)
    _add_sound(parser)
    _add_screen(parser)
    parser.set_defaults(run=_live)


def _add_devices(parser: argparse.ArgumentParser) -> None:
    devices = parser.add_argument_group("devices")
    devices.add_argument(
        "--input", default="default", metavar="DEVICE", help="microphone (the system's default)"
    )
    devices.add_argument("--output", required=True, metavar="DEVICE", help="the exciter's input")
    devices.add_argument(
        "--monitor", metavar="DEVICE", help="where to hear what a receiver would hear"
    )
    devices.add_argument(
        "--input-channel", default="mix", metavar="C", help="mix (default), left, right, number"
    )
    devices.add_argument(
        "--channel", default="both", metavar="C", help="of the output: both (default), left, ..."
    )
    devices.add_argument(
        "--rate", type=int, default=48_000, metavar="HZ", help="of all devices (48000)"
    )
    devices.add_argument("--input-rate", type=int, metavar="HZ", help="of the microphone (--rate)")
    devices.add_argument(
        "--block", type=int, default=256, metavar="FRAMES", help="handed over at once (256)"
    )
    devices.add_argument(
        "--latency", type=float, default=50.0, metavar="MS", help="asked of the devices (50)"
    )
    devices.add_argument(
        "--one-clock",
        action="store_true",
        help="input and output are two devices on one clock: no resampling (busy on PulseAudio)",
    )
    devices.add_argument("--no-reconnect", action="store_true", help="leave when a device is gone")


def _add_sound(parser: argparse.ArgumentParser) -> None:
    sound = parser.add_argument_group("sound")
    sound.add_argument("--voice", metavar="NAME_OR_FILE", help="voice A (everyday)")
    sound.add_argument("--voice-b", metavar="NAME_OR_FILE", help="voice B, to change to")
    sound.add_argument("--rig", metavar="NAME_OR_FILE", help="the transmitter (plate-modulated)")
    sound.add_argument("--drive", type=float, metavar="DB", help="gain ahead of A's clipper")
    sound.add_argument("--negative-limit", type=float, metavar="PCT", help="deepest trough")
    sound.add_argument("--positive-limit", type=float, metavar="PCT", help="highest crest")
    sound.add_argument(
        "--heard",
        choices=("A", "B", "bypass"),
        default="A",
        help="what is heard first; bypass: nothing but the limiter",
    )
    sound.add_argument(
        "--match", action="store_true", help="bring the voices to the loudness of the quietest"
    )
    sound.add_argument("--mute", action="store_true", help="start muted")


def _add_screen(parser: argparse.ArgumentParser) -> None:
    screen = parser.add_argument_group("screen and files")
    screen.add_argument(
        "--plain", action="store_true", help="one line of JSON a second instead of the console"
    )
    screen.add_argument("--log", type=Path, metavar="FILE", help="keep a .csv or .jsonl record")
    screen.add_argument(
        "--record", type=Path, metavar="FILE", help="record microphone and output, .wav"
    )
    add_keys_option(screen, "--log-keys", "live")
    screen.add_argument("--for", dest="for_s", type=float, metavar="S", help="end after S seconds")


def _live(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.live import live
    from carrierfloor.cli.live_options import LiveOptions
    from carrierfloor.cli.live_plan import Plan

    plan = Plan(
        input=arguments.input,
        output=arguments.output,
        monitor=arguments.monitor,
        input_channel=arguments.input_channel,
        output_channel=arguments.channel,
        rate_hz=arguments.rate,
        input_rate_hz=arguments.input_rate or arguments.rate,
        block_frames=arguments.block,
        latency_s=arguments.latency / 1000.0,
        one_clock=arguments.one_clock,
    )
    options = LiveOptions(
        plan=plan,
        voice=arguments.voice,
        voice_b=arguments.voice_b,
        rig=arguments.rig,
        drive_db=arguments.drive,
        negative_limit_pct=arguments.negative_limit,
        positive_limit_pct=arguments.positive_limit,
        heard=arguments.heard,
        match=arguments.match,
        mute=arguments.mute,
        reconnect=not arguments.no_reconnect,
        record=arguments.record,
        log=arguments.log,
        plain=arguments.plain,
        for_s=arguments.for_s,
    )
    return live(options)
