"""The options of ``study``."""

import argparse
from pathlib import Path
from typing import Any

from carrierfloor.cli import comma_list
from carrierfloor.cli.keys_option import add_keys_option
from carrierfloor.cli.tone_parser import Commands

EPILOG = """\
examples:
  carrierfloor study phrases/*.flac --voices everyday,dense --drives 6,9,12 --out table.csv
  carrierfloor study cq.wav --rigs my-rig.toml --carrier-to-noise 0,6,12 --out table.parquet
  carrierfloor study phrases/*.flac --voices dense --out table.csv --plots plots/ --jobs 4
  carrierfloor study phrases/*.flac --out table.csv --cluster tcp://192.168.1.20:8786

A file with a comma in its name stands between double quotes:
  --voices '"loud, clean.toml",dense'

A run that was cut short leaves the rows it has finished; the same command computes
the rest. On a cluster every worker needs this version of carrierfloor.
"""


def add_study(commands: Commands) -> None:
    """Add the command ``study``."""
    parser = commands.add_parser(
        "study",
        help="try a grid of settings on phrases: intelligibility in noise, density, emission",
        description="Try every voice with every drive on every rig and phrase, and the phrase\n"
        "merely scaled to the limit. One row for each at each carrier-to-noise ratio:\n"
        "intelligibility (ESTOI, 0 to 1), density, peaks, cut-offs, emission, and how\n"
        "much carrier power the setting saves.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("phrases", nargs="+", type=Path, metavar="PHRASE", help="sound files")
    parser.add_argument(
        "--voices", type=_words, metavar="A,B", help="shipped names or files (everyday)"
    )
    parser.add_argument(
        "--drives", type=_numbers, metavar="DB,DB", help="gains ahead of the clipper (the voice's)"
    )
    parser.add_argument(
        "--rigs", type=_words, metavar="A,B", help="shipped names or files (plate-modulated)"
    )
    parser.add_argument(
        "--carrier-to-noise",
        type=_numbers,
        default=(0.0, 6.0, 12.0),
        metavar="DB,DB",
        help="carrier over noise in 10 kHz of RF (0,6,12); if the first is negative, write "
        "--carrier-to-noise=-6,0",
    )
    parser.add_argument(
        "--out", required=True, type=Path, metavar="TABLE", help="a .csv or .parquet file"
    )
    parser.add_argument("--plots", type=Path, metavar="FOLDER", help="draw the results")
    parser.add_argument("--jobs", type=int, metavar="N", help="processes (as many as processors)")
    parser.add_argument("--cluster", metavar="ADDRESS", help="of a Dask scheduler, host:port")
    add_keys_option(parser, "--table-keys", "study")
    parser.set_defaults(run=_study)


def _words(text: str) -> tuple[str, ...]:
    try:
        words = tuple(word.strip() for word in comma_list.items(text))
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r}: {error}") from None
    if not all(words):
        raise argparse.ArgumentTypeError(f"{text!r} has an empty place; write A,B")
    return words


def _numbers(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(word) for word in _words(text))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no list of numbers; write 6,9,12") from None


def _study(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.study import study
    from carrierfloor.cli.study_grid import Choice

    given: Any = arguments
    choice = Choice(
        phrases=tuple(given.phrases),
        voices=given.voices,
        drives_db=given.drives,
        rigs=given.rigs,
        ratios_db=given.carrier_to_noise,
    )
    return study(choice, given.out, plots=given.plots, jobs=given.jobs, cluster=given.cluster)
