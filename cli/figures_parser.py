"""The options of ``figures``."""

import argparse
from pathlib import Path

from carrierfloor.cli.keys_option import add_keys_option
from carrierfloor.cli.tone_parser import Commands

EPILOG = """\
examples:
  carrierfloor figures --rig my-rig.toml
  carrierfloor figures --rig my-rig.toml --audio on-air.wav
  carrierfloor figures --rig my-rig.toml --plate-to-plate 6600 --inductance 30
"""


def add_figures(commands: Commands) -> None:
    """Add the command ``figures``."""
    parser = commands.add_parser(
        "figures",
        help="the rig's arithmetic: peak power, plate voltages, audio power, transformer",
        description="The builder's arithmetic for a rig, with its formulas: peak envelope power\n"
        "against the licence limit, plate voltages, modulating impedance, audio\n"
        "power, modulation transformer, antenna current. It works with what the rig\n"
        "file holds and says what is missing.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--rig", metavar="NAME_OR_FILE", help="the transmitter (plate-modulated)")
    density = parser.add_argument_group("modulation density, for the power in the sidebands")
    density.add_argument(
        "--audio", type=Path, metavar="FILE", help="of a sound file played into the rig"
    )
    density.add_argument(
        "--channel", default="mix", metavar="C", help="of FILE: mix (default), left, right, N"
    )
    density.add_argument("--density", type=float, metavar="PCT", help="this one: rms of m")
    _add_transformer(parser.add_argument_group("modulation transformer"))
    parser.add_argument("--report", type=Path, metavar="FILE", help="save a .json or .csv report")
    add_keys_option(parser, "--report-keys", "figures")
    parser.set_defaults(run=_figures)


def _add_transformer(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--lowest", type=float, default=100.0, metavar="HZ", help="lowest audio frequency (100)"
    )
    group.add_argument(
        "--highest", type=float, default=4000.0, metavar="HZ", help="highest of them (4000)"
    )
    group.add_argument(
        "--corner", type=float, metavar="HZ", help="tell the inductance that puts the corner here"
    )
    group.add_argument(
        "--inductance",
        type=float,
        metavar="H",
        help="tell the corner of this winding, the one that feeds the final, measured with its "
        "DC (what the rig says)",
    )
    group.add_argument(
        "--plate-to-plate",
        type=float,
        metavar="OHM",
        help="load that the modulator tubes want, for the turns (what the rig says)",
    )


def _figures(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.figures import figures
    from carrierfloor.cli.figures_report import Wanted

    wanted = Wanted(
        rig=arguments.rig,
        density_pct=arguments.density,
        lowest_hz=arguments.lowest,
        highest_hz=arguments.highest,
        corner_hz=arguments.corner,
        inductance_h=arguments.inductance,
        plate_to_plate_ohm=arguments.plate_to_plate,
    )
    return figures(
        wanted,
        audio=arguments.audio,
        channel=arguments.channel,
        save_report=arguments.report,
    )
