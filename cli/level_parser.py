"""The options of ``level``."""

import argparse
from pathlib import Path

from carrierfloor.cli.keys_option import add_keys_option
from carrierfloor.cli.tone_parser import Commands

EPILOG = """\
examples:
  carrierfloor level scope --rig my-rig.toml --output "usb audio"
  carrierfloor level scope --rig my-rig.toml --reading -20 5.6 2.4 4 --reading ...
  carrierfloor tone staircase --polarity-step --out stairs.wav --report stairs.json
  carrierfloor level recording sdr.wav --kind iq --sent stairs.json --rig my-rig.toml

Connect the transmitter to a dummy load before you key it.
"""
# As in dsp; importing numpy for them would make --help slow.
KINDS = ("iq", "if", "detector")
RAW = ("u8", "s8", "s16", "f32")


def add_level(commands: Commands) -> None:
    """Add the command ``level`` with a sub-command for each way."""
    parser = commands.add_parser(
        "level",
        help="find the level that makes 100 %% modulation, and the polarity, into the rig file",
        description="Find which level at the sound card makes 100 % modulation, and which way a\n"
        "positive sample moves the carrier. Both go into the rig file; the file before is\n"
        "kept beside it.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    ways = parser.add_subparsers(dest="way", metavar="WAY", required=True)
    _add_scope(ways)
    _add_recording(ways)


def _add_scope(ways: Commands) -> None:
    parser = ways.add_parser(
        "scope",
        help="by crest and trough of the envelope, or the sides of the trapezoid, on a scope",
        description="Read crest and trough of the envelope, or the sides of the trapezoid, on an "
        "oscilloscope. With --output the steps are played and you are asked; without, give what "
        "you read. The carrier's height without modulation is needed too: crest and trough alone "
        "misread an uneven envelope.",
    )
    parser.add_argument("--output", metavar="DEVICE", help="play on it and ask; see devices")
    parser.add_argument(
        "--channel", default="both", metavar="C", help="of DEVICE: both (default), left, right, N"
    )
    parser.add_argument(
        "--reading",
        dest="readings",
        action="append",
        nargs="+",
        type=float,
        default=[],
        metavar="N",
        help="DBFS CREST TROUGH CARRIER, in any one unit, once for each step",
    )
    parser.add_argument(
        "--uneven",
        nargs="+",
        type=float,
        metavar="N",
        help="CREST TROUGH CARRIER in the step of tone staircase that tells the polarity",
    )
    parser.add_argument("--carrier", type=float, metavar="HEIGHT", help="without modulation")
    parser.add_argument(
        "--reading-error",
        dest="error",
        type=float,
        default=2.0,
        metavar="PCT",
        help="how well you can read, in %% of the carrier's height (2)",
    )
    parser.add_argument(
        "--frequency", type=float, default=1000.0, metavar="HZ", help="of the tone (1000)"
    )
    _add_common(parser)
    parser.set_defaults(run=_scope)


def _add_recording(ways: Commands) -> None:
    parser = ways.add_parser(
        "recording",
        help="by a recording of tone staircase: IQ, low-IF or detector",
        description="Find the level in a recording of the staircase. IQ and low-IF recordings "
        "hold the carrier. A detector recording has lost it: its staircase must go on until the "
        "carrier is cut off, where the trough becomes flat.",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="sound file, or raw samples")
    parser.add_argument(
        "--kind",
        required=True,
        choices=KINDS,
        help="iq: two channels, I and Q; if: the carrier at a low frequency; detector: demodulated",
    )
    parser.add_argument(
        "--sent",
        required=True,
        type=Path,
        metavar="STAIRS",
        help="what was played: the report (.json) or the sound file of tone staircase",
    )
    parser.add_argument(
        "--format",
        choices=RAW,
        help="FILE is raw, little-endian (.cu8, .cs8, .cs16, .cf32, .cfile need not say so)",
    )
    parser.add_argument("--rate", type=float, metavar="HZ", help="sample rate of a raw FILE")
    parser.add_argument(
        "--channel",
        default="mix",
        metavar="C",
        help="of if and detector: mix (default), left, right, N",
    )
    parser.add_argument(
        "--carrier", type=float, metavar="HZ", help="where about the carrier lies (it is found)"
    )
    parser.add_argument(
        "--width",
        type=float,
        default=8000.0,
        metavar="HZ",
        help="how much to hear on each side of the carrier (8000)",
    )
    parser.add_argument(
        "--knee",
        type=float,
        default=0.0,
        metavar="PCT",
        help="of the carrier's height at which a diode detector begins to conduct (0)",
    )
    parser.add_argument(
        "--inverted",
        action="store_true",
        help="more carrier makes the detector's recording more negative",
    )
    _add_common(parser)
    parser.set_defaults(run=_recording)


def _add_common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rig", required=True, metavar="RIG.toml", help="your rig file")
    parser.add_argument(
        "--dry-run", action="store_true", help="show what would change, and change nothing"
    )
    parser.add_argument("--report", type=Path, metavar="FILE", help="save a .json report")
    add_keys_option(parser, "--report-keys", "level")


def _scope(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.level_scope import ScopeOptions, level_scope

    given = vars(arguments)
    fields = ScopeOptions.__dataclass_fields__
    return level_scope(ScopeOptions(**{name: given[name] for name in fields}))


def _recording(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.level_recording import RecordingOptions, level_recording

    given = vars(arguments)
    fields = RecordingOptions.__dataclass_fields__
    return level_recording(RecordingOptions(**{name: given[name] for name in fields}))
