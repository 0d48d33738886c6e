"""The options of ``compare``."""

import argparse
from pathlib import Path

from carrierfloor.cli.tone_parser import Commands

EPILOG = """\
a SPEC is one version: key=value, with commas between
  voice=NAME_OR_FILE, drive=DB, rig=NAME_OR_FILE, negative-limit=PCT,
  positive-limit=PCT, name=WORDS
  file=SOUND          is played into the rig as it is
  unprocessed         is the phrase itself, as loud as the limit allows
The first word may be a voice or a sound file alone.  What has a comma in it
stands between double quotes: --with '"file=loud, clean.wav",name=mine'

examples:
  carrierfloor compare voice.wav --with everyday --with dense --page choose.html
  carrierfloor compare voice.wav --with everyday --with everyday,drive=14 \\
      --with unprocessed --rig my-rig.toml --fading selective --page choose.html
"""
FADINGS = ("none", "selective")  # as in dsp; importing it would make --help slow


def add_compare(commands: Commands) -> None:
    """Add the command ``compare``."""
    parser = commands.add_parser(
        "compare",
        help="choose by ear: versions of a phrase, equally loud and in step",
        description="Render phrases in several versions, equally loud and in step to the\n"
        "sample, at the sound card, at the antenna and in a receiver, and put them on one\n"
        "page that any browser opens, with figures and blind tests; or play them here.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("phrases", nargs="+", type=Path, metavar="PHRASE", help="sound files")
    parser.add_argument(
        "--with",
        dest="versions",
        action="append",
        default=[],
        metavar="SPEC",
        help="one version; give it 2 to 9 times",
    )
    parser.add_argument("--page", type=Path, metavar="OUT.html", help="the page to listen to")
    parser.add_argument(
        "--play", action="store_true", help="play them here; keys switch between them"
    )
    parser.add_argument(
        "--output", metavar="DEVICE", help="the sound device for --play (the system's own)"
    )
    parser.add_argument(
        "--rig", metavar="NAME_OR_FILE", help="of versions that name none (plate-modulated)"
    )
    receiver = parser.add_argument_group("the receiver")
    receiver.add_argument(
        "--carrier-to-noise",
        type=float,
        default=20.0,
        metavar="DB",
        help="carrier over the noise in 10 kHz (20)",
    )
    receiver.add_argument(
        "--bandwidth", type=float, default=5000.0, metavar="HZ", help="of its audio (5000)"
    )
    receiver.add_argument(
        "--fading", choices=FADINGS, default="none", help="selective: a notch moves through it"
    )
    receiver.add_argument("--seed", type=int, default=1, metavar="N", help="of the noise (1)")
    parser.set_defaults(run=_compare)


def _compare(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.compare import compare
    from carrierfloor.dsp.envelope_receiver import ReceiverDesign

    receiver = ReceiverDesign(
        carrier_to_noise_db=arguments.carrier_to_noise,
        bandwidth_hz=arguments.bandwidth,
        fading=arguments.fading,
        seed=arguments.seed,
    )
    return compare(
        arguments.phrases,
        arguments.versions,
        receiver,
        rig=arguments.rig,
        page=arguments.page,
        play=arguments.play,
        output=arguments.output,
    )
