"""All commands and options; what a command needs is imported when it runs.

``carrierfloor --help`` must be quick, and numba or soundfile alone take longer than that.
"""

import argparse
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any, NoReturn

from carrierfloor.cli.check_parser import add_check
from carrierfloor.cli.compare_parser import add_compare
from carrierfloor.cli.figures_parser import add_figures
from carrierfloor.cli.fit_parser import add_fit
from carrierfloor.cli.keys_option import add_keys_option
from carrierfloor.cli.level_parser import add_level
from carrierfloor.cli.live_parser import add_live
from carrierfloor.cli.measure_parser import add_measure
from carrierfloor.cli.simulate_parser import add_simulate
from carrierfloor.cli.study_parser import add_study
from carrierfloor.cli.tone_parser import Commands, add_devices, add_tone

EPILOG = """\
examples:
  carrierfloor process voice.wav on-air.wav
  carrierfloor process voice.wav on-air.flac --voice wide --rig my-rig.toml
  carrierfloor process phrases/ --into processed/ --report table.csv
  carrierfloor predict on-air.wav --rig my-rig.toml --pictures pictures/
  carrierfloor compare voice.wav --with everyday --with dense --page choose.html
  carrierfloor live --input "usb microphone" --output 3 --rig my-rig.toml
  carrierfloor tone sine --level -20 --output default
  carrierfloor measure sweep.wav detector.wav --rig my-rig.toml
  carrierfloor fit me.wav --out my-voice.toml --rig my-rig.toml
"""


class Parser(argparse.ArgumentParser):
    """A parser that says what is wrong on one line."""

    def parse_known_args(  # type: ignore[override]
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """Refuse what this command does not know here: the one above names its own help only."""
        found, unknown = super().parse_known_args(args, namespace)
        if unknown:
            self.error(f"unrecognized arguments: {' '.join(unknown)}")
        return found, unknown

    def error(self, message: str) -> NoReturn:
        """Print the message and leave."""
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = Parser(
        prog="carrierfloor",
        description="Speech processing for AM transmitters that keeps the carrier up at the "
        "antenna.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=version("carrierfloor"))
    parser.set_defaults(run=_help, parser=parser)
    commands = parser.add_subparsers(dest="command", title="commands", metavar="COMMAND")
    _add_process(commands)
    _add_predict(commands)
    add_compare(commands)
    add_figures(commands)
    add_live(commands)
    add_tone(commands)
    add_measure(commands)
    add_level(commands)
    add_check(commands)
    add_fit(commands)
    add_simulate(commands)
    add_study(commands)
    add_devices(commands)
    _add_documents(commands, "voices", "voice")
    _add_documents(commands, "rigs", "rig")
    return parser


def _help(arguments: argparse.Namespace) -> int:
    arguments.parser.print_help()
    return 0


def _add_process(commands: Commands) -> None:
    parser = commands.add_parser(
        "process",
        help="process sound files; each output is as long as its input and in step with it",
        description="Process a sound file so that the carrier stays up at the antenna. IN is "
        "anything libsndfile reads, 8 to 192 kHz; OUT is .wav or .flac, mono. With --into, many "
        "files and folders are processed in parallel.",
    )
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="IN OUT, or inputs")
    parser.add_argument("--into", type=Path, metavar="FOLDER", help="process all inputs into it")
    _add_voice_and_rig(parser)
    parser.add_argument("--drive", type=float, metavar="DB", help="gain ahead of the clipper")
    parser.add_argument(
        "--negative-limit", type=float, metavar="PCT", help="deepest trough at the antenna"
    )
    parser.add_argument(
        "--positive-limit", type=float, metavar="PCT", help="highest crest at the antenna"
    )
    parser.add_argument(
        "--channel", default="mix", metavar="C", help="mix (default), left, right or a number"
    )
    parser.add_argument("--rate", type=int, metavar="HZ", help="sample rate of OUT (as IN)")
    parser.add_argument(
        "--subtype", metavar="TYPE", help="PCM_16 (dithered), PCM_24, PCM_32, FLOAT, ... (as IN)"
    )
    parser.add_argument("--report", type=Path, metavar="FILE", help="save a .json or .csv report")
    parser.add_argument(
        "--pictures", type=Path, metavar="FOLDER", help="draw the antenna before and after"
    )
    parser.add_argument(
        "--no-compare", action="store_true", help="skip the comparisons; about twice as fast"
    )
    parser.add_argument("--jobs", type=_positive, metavar="N", help="files at once with --into")
    add_keys_option(parser, "--report-keys", "process")
    parser.set_defaults(run=_process)


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{number} is not 1 or more")
    return number


_positive.__name__ = "whole number"  # as argparse names it in its message


def _add_voice_and_rig(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--voice", metavar="NAME_OR_FILE", help="how the speech is shaped (everyday)"
    )
    parser.add_argument("--rig", metavar="NAME_OR_FILE", help="the transmitter (plate-modulated)")


def _process(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.job import Options
    from carrierfloor.cli.process import process

    options = Options(
        voice=arguments.voice,
        rig=arguments.rig,
        drive_db=arguments.drive,
        negative_limit_pct=arguments.negative_limit,
        positive_limit_pct=arguments.positive_limit,
        channel=arguments.channel,
        rate_hz=arguments.rate,
        sample_type=arguments.subtype,
        compare=not arguments.no_compare,
    )
    return process(
        arguments.files,
        options,
        into=arguments.into,
        save_report=arguments.report,
        pictures=arguments.pictures,
        jobs=arguments.jobs,
    )


def _add_predict(commands: Commands) -> None:
    parser = commands.add_parser(
        "predict",
        help="what the antenna will see if a sound file is played into the rig",
        description="Follow any sound file through the rig's audio path: depth both ways, "
        "carrier cut-offs, density, peak power, emission. Its samples are what the sound card "
        "gets.",
    )
    parser.add_argument("audio", type=Path, metavar="AUDIO", help="anything libsndfile reads")
    parser.add_argument("--rig", metavar="NAME_OR_FILE", help="the transmitter (plate-modulated)")
    parser.add_argument(
        "--channel", default="mix", metavar="C", help="mix (default), left, right or a number"
    )
    parser.add_argument("--report", type=Path, metavar="FILE", help="save a .json or .csv report")
    parser.add_argument(
        "--pictures", type=Path, metavar="FOLDER", help="draw envelope, trapezoid, spectrum, ..."
    )
    add_keys_option(parser, "--report-keys", "predict")
    parser.set_defaults(run=_predict)


def _predict(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.predict import predict

    return predict(
        arguments.audio,
        rig=arguments.rig,
        save_report=arguments.report,
        pictures=arguments.pictures,
        channel=arguments.channel,
    )


def _add_documents(commands: Commands, name: str, one: str) -> None:
    parser = commands.add_parser(
        name,
        help=f"list, show and check {name}",
        description=f"List the {name} that ship with carrierfloor, show one, check your own "
        f"files, or list all keys that a {one} file may hold.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION")
    actions.add_parser("list", help=f"list the shipped {name} (the default)")
    show = actions.add_parser("show", help=f"show a {one} as a table")
    show.add_argument("document", metavar="NAME_OR_FILE")
    validate = actions.add_parser("validate", help=f"check {one} files")
    validate.add_argument("documents", nargs="+", metavar="FILE")
    keys = actions.add_parser("keys", help=f"list every key of a {one} file")
    if name == "voices":
        keys.add_argument("kinds", nargs="*", metavar="KIND", help="only of these stages")
    else:
        copy = actions.add_parser("copy", help="copy a rig into a new file of your own")
        copy.add_argument("document", metavar="NAME_OR_FILE")
        copy.add_argument("file", type=Path, metavar="FILE", help="a .toml file that is not there")
    parser.set_defaults(run=_documents)


def _documents(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli import rigs, voices

    module: Any = voices if arguments.command == "voices" else rigs
    status: int
    if arguments.action == "show":
        status = module.show(arguments.document)
    elif arguments.action == "validate":
        status = module.validate(arguments.documents)
    elif arguments.action == "copy":
        status = module.copy(arguments.document, arguments.file)
    elif arguments.action == "keys":
        status = module.keys(*getattr(arguments, "kinds", []))
    else:
        status = module.list_all()
    return status
