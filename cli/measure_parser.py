"""The options of ``measure``."""

import argparse
from pathlib import Path
from typing import Any

from carrierfloor.cli.keys_option import add_keys_option
from carrierfloor.cli.tone_parser import Commands

EPILOG = """\
examples:
  carrierfloor measure sweep.wav detector.wav --rig my-rig.toml
  carrierfloor measure sweep.wav 80m.wav 40m.wav --path "80 m" --path "40 m" --rig my-rig.toml
  carrierfloor measure --output "usb audio" --input "line in" --rig my-rig.toml --keep captures/

Connect the transmitter to a dummy load before you key it.
"""
SENSES = ("normal", "inverted")


def add_measure(commands: Commands) -> None:
    """Add the command ``measure``."""
    parser = commands.add_parser(
        "measure",
        help="measure the transmitter's audio path with a sweep, into the rig file",
        description="Measure the transmitter's audio path. SWEEP is what was played, as\n"
        "`carrierfloor tone sweep` wrote it; each CAPTURE is a recording of the RF behind a\n"
        "detector or a receiver. Without files, --output and --input play and record in\n"
        "one go. The path goes into the rig file; the file before is kept beside it.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("files", nargs="*", type=Path, metavar="FILE", help="SWEEP CAPTURE ...")
    parser.add_argument("--rig", required=True, metavar="RIG.toml", help="your rig file")
    parser.add_argument(
        "--path",
        action="append",
        default=[],
        dest="paths",
        metavar="NAME",
        help="what a capture's path is called, once for each (the rig's only path, or the file)",
    )
    parser.add_argument(
        "--depth",
        type=float,
        metavar="PCT",
        help="modulation that the sweep makes at 1 kHz (by the rig's level; live: 50)",
    )
    parser.add_argument(
        "--dry-run", action="store_true", help="show what would change, and change nothing"
    )
    parser.add_argument("--report", type=Path, metavar="FILE", help="save a .json or .csv report")
    parser.add_argument(
        "--pictures", type=Path, metavar="FOLDER", help="draw response, distortion, regrowth"
    )
    add_keys_option(parser, "--report-keys", "measure")
    _add_detector(parser)
    _add_live(parser)
    parser.set_defaults(run=_measure)


def _add_detector(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("how the carrier is heard")
    group.add_argument(
        "--channel",
        default="mix",
        metavar="C",
        help="of CAPTURE or of the input: mix (default), left, right or a number",
    )
    own = group.add_mutually_exclusive_group()
    own.add_argument(
        "--detector",
        type=Path,
        metavar="FILE.toml",
        help="the detector's own response as [[sections]], to be divided out",
    )
    own.add_argument(
        "--detector-capture",
        type=Path,
        metavar="WAV",
        help="a capture of the sweep through the detector alone, to be divided out",
    )
    group.add_argument(
        "--detector-polarity",
        choices=SENSES,
        help="its sense, if you know it: normal, if more carrier is more positive; only then the "
        "rig file's polarity is set",
    )


def _add_live(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("live, in place of files")
    group.add_argument("--output", metavar="DEVICE", help="the exciter's audio input")
    group.add_argument("--input", metavar="DEVICE", help="where the detector is heard")
    group.add_argument(
        "--output-channel", default="both", metavar="C", help="both (default), left, right, number"
    )
    group.add_argument(
        "--level",
        type=float,
        metavar="DBFS",
        help="peak of the sweep; without it the rig's level and limits say what --depth takes",
    )
    group.add_argument(
        "--seconds", type=float, default=10.0, metavar="S", help="length of the sweep (10)"
    )
    group.add_argument(
        "--rate", type=int, default=48_000, metavar="HZ", help="of both devices (48000)"
    )
    group.add_argument("--keep", type=Path, metavar="FOLDER", help="keep sweep and capture there")
    group.add_argument("--yes", action="store_true", help="do not ask before the sweep is sent")


def _measure(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.measure import MeasureOptions, measure

    given: dict[str, Any] = vars(arguments)
    fields = MeasureOptions.__dataclass_fields__
    options = MeasureOptions(**{name: given[name] for name in fields})
    if options.output is None and options.input is None:
        return measure(options)
    from carrierfloor.cli.measure_live import measure_live

    return measure_live(options)
