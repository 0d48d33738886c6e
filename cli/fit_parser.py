"""The options of ``fit``."""

import argparse
from pathlib import Path
from typing import Any

from carrierfloor.cli.keys_option import add_keys_option
from carrierfloor.cli.tone_parser import Commands

EPILOG = """\
examples:
  carrierfloor fit me.wav --out my-voice.toml --rig my-rig.toml
  carrierfloor fit me.wav --out my-dx-voice.toml --voice dense --density 35
  carrierfloor fit me.wav --dry-run

Record what you will speak into on the air: the same microphone, distance and room, no processing,
half a minute with pauses, the highest peaks some decibels below full scale.
"""


def add_fit(commands: Commands) -> None:
    """Add the command ``fit``."""
    parser = commands.add_parser(
        "fit",
        help="learn a voice file from a recording of your speech",
        description="Fit a voice to your own speech, microphone and room: high-pass, tone, level,\n"
        "polarity, gate and drive are measured on a recording, explained and written as a voice\n"
        "file with comments. RECORDING is anything libsndfile reads.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "recording", type=Path, metavar="RECORDING", help="your speech, unprocessed"
    )
    parser.add_argument("--out", type=Path, metavar="FILE.toml", help="a file that is not there")
    parser.add_argument(
        "--voice", metavar="NAME_OR_FILE", help="the voice it begins with (everyday)"
    )
    parser.add_argument("--rig", metavar="NAME_OR_FILE", help="the transmitter (plate-modulated)")
    parser.add_argument(
        "--density",
        type=float,
        metavar="PCT",
        help="modulation density wanted (what the voice reaches with ordinary speech, or with "
        "yours if that is more)",
    )
    parser.add_argument(
        "--channel", default="mix", metavar="C", help="mix (default), left, right or a number"
    )
    parser.add_argument(
        "--dry-run", action="store_true", help="show what was found, and write no voice"
    )
    parser.add_argument("--report", type=Path, metavar="FILE", help="save a .json or .csv report")
    add_keys_option(parser, "--report-keys", "fit")
    parser.set_defaults(run=_fit)


def _fit(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.fit import fit
    from carrierfloor.cli.fit_options import FitOptions

    given: dict[str, Any] = vars(arguments)
    return fit(FitOptions(**{name: given[name] for name in FitOptions.__dataclass_fields__}))
