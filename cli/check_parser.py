"""The options of ``check``."""

import argparse
from pathlib import Path

from carrierfloor.cli.keys_option import add_keys_option
from carrierfloor.cli.tone_parser import Commands

EPILOG = """\
examples:
  carrierfloor check sdr.wav --rig my-rig.toml --pictures pictures/
  carrierfloor check sdr.cs16 --rate 2.4e6 --mask am-broadcast --report r.json
  carrierfloor check sdr.wav --rig my-rig.toml --reference sent.wav --clips heard/
  carrierfloor check detector.wav --kind detector --rig my-rig.toml --known sent.wav

Record the carrier alone for some seconds before and after the speech, with the
receiver's automatic gain switched off.
"""
# As in dsp; importing numpy for them would make --help slow.
KINDS = ("iq", "if", "detector")
RAW = ("u8", "s8", "s16", "f32")


def add_check(commands: Commands) -> None:
    """Add the command ``check``."""
    parser = commands.add_parser(
        "check",
        help="what the antenna did: modulation, cut-offs, bandwidth, from a recording of it",
        description="Measure a recording of the transmitted signal: IQ of a software-defined\n"
        "receiver, a low intermediate frequency, or a detector. Peaks are measured\n"
        "against the carrier without modulation, which is found in pauses and before and\n"
        "after the speech. With --rig, says what to change in the rig file.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "recording", type=Path, metavar="RECORDING", help="sound file, or raw samples"
    )
    parser.add_argument(
        "--kind",
        choices=KINDS,
        help="iq: two channels, I and Q; if: the carrier at a low frequency; detector: "
        "demodulated (told by what is in it)",
    )
    parser.add_argument(
        "--format",
        choices=RAW,
        help="RECORDING is raw, little-endian (.cu8, .cs8, .cs16, .cf32, .cfile need not say so)",
    )
    parser.add_argument("--rate", type=float, metavar="HZ", help="sample rate of raw samples")
    parser.add_argument(
        "--channel", default="mix", metavar="C", help="of if and detector: mix, left, right, N"
    )
    parser.add_argument(
        "--carrier", type=float, metavar="HZ", help="where about the carrier lies (it is found)"
    )
    parser.add_argument(
        "--width",
        type=float,
        metavar="HZ",
        help="how much to hear on each side of the carrier (8000, or 16000 where it is quiet)",
    )
    parser.add_argument("--rig", metavar="NAME_OR_FILE", help="the transmitter, for its limits")
    parser.add_argument("--path", metavar="NAME", help="which of the rig's paths (the first)")
    parser.add_argument(
        "--reference",
        type=Path,
        metavar="AUDIO",
        help="what the sound card played: draws the trapezoid, tells the level",
    )
    parser.add_argument(
        "--clips",
        type=Path,
        metavar="FOLDER",
        help="write what is heard before each cut-off into a new folder",
    )
    _add_detector(parser)
    parser.add_argument(
        "--apply", action="store_true", help="write what the verdict says into the rig file"
    )
    parser.add_argument(
        "--mask",
        dest="masks",
        action="append",
        default=[],
        metavar="NAME_OR_FILE",
        help="emission mask: am-broadcast, a3e-telephony, or a .toml file; may be repeated",
    )
    parser.add_argument("--report", type=Path, metavar="FILE", help="save a .json or .csv report")
    parser.add_argument(
        "--pictures", type=Path, metavar="FOLDER", help="draw envelope, histogram, spectrum, ..."
    )
    add_keys_option(parser, "--report-keys", "check")
    parser.set_defaults(run=_check)


def _add_detector(parser: argparse.ArgumentParser) -> None:
    detector = parser.add_argument_group("detector recordings")
    detector.add_argument(
        "--known",
        type=Path,
        metavar="AUDIO",
        help="what the sound card played, to find the detector's knee and time constant by "
        "(--reference)",
    )
    detector.add_argument(
        "--carrier-level", type=float, metavar="X", help="sample value of the unmodulated carrier"
    )
    detector.add_argument("--knee", type=float, metavar="PCT", help="of the carrier")
    detector.add_argument("--rc", type=float, metavar="MS", help="time constant")
    detector.add_argument("--inverted", action="store_true", help="more carrier is a lower voltage")


def _check(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.check import check
    from carrierfloor.cli.check_options import CheckOptions

    given = vars(arguments)
    fields = {name: given[name] for name in CheckOptions.__dataclass_fields__}
    return check(CheckOptions(**{**fields, "masks": tuple(given["masks"])}))
