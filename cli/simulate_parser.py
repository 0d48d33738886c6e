"""The options of ``simulate``."""

import argparse
from pathlib import Path

from carrierfloor.cli.keys_option import add_keys_option
from carrierfloor.cli.tone_parser import Commands

EPILOG = """\
examples:
  carrierfloor simulate voice.wav sdr.wav --kind iq --rig my-rig.toml
  carrierfloor simulate voice.wav sdr.cu8 --kind iq --rate 2400000 --carrier-to-noise 40
  carrierfloor simulate tone.wav if.wav --kind if --second-pct 3 --report truth.json
  carrierfloor simulate tone.wav line-in.wav --kind detector --detector-knee 5 --detector-rc 0.05
"""
# As in dsp; importing numpy for them would make --help slow.
KINDS = ("iq", "if", "detector")
RAW = ("u8", "s8", "s16", "f32")
USUAL_RATES_HZ = {"iq": 96_000, "if": 48_000, "detector": 48_000}
# (option, unit, default or None, what it does), as in the designs of dsp, whose rules check them.
Row = tuple[str, str, float | None, str]
TRANSMITTER: tuple[Row, ...] = (
    ("second-pct", "PCT", 0.0, "second harmonic of a 100 %% tone, with sign"),
    ("third-pct", "PCT", 0.0, "third harmonic of a 100 %% tone, with sign"),
    ("compress", "PCT", None, "compress crests above this softly"),
    ("keep-alive", "PCT", None, "an ideal diode holds the envelope at PCT of the carrier"),
    ("hum-db", "DB", None, "modulation by hum, below 100 %%"),
    ("hum-hz", "HZ", 120.0, "frequency of the hum"),
)
CHANNEL: tuple[Row, ...] = (
    ("carrier-to-noise", "DB", None, "unmodulated carrier over noise"),
    ("noise-bandwidth", "HZ", 10_000.0, "in which that noise is counted"),
    ("fading-db", "DB", 0.0, "two rays: strongest over weakest carrier"),
    ("fading-hz", "HZ", 0.2, "how often a second it fades"),
    ("fading-delay-ms", "MS", 0.0, "of the second ray; above 0 it fades selectively"),
    ("neighbour-db", "DB", None, "another carrier, over this one"),
    ("neighbour-hz", "HZ", 10_000.0, "from this carrier to that"),
)
RECEIVER: tuple[Row, ...] = (
    ("offset-hz", "HZ", 0.0, "where the carrier is, from the middle or --carrier-hz"),
    ("drift-hz-per-s", "HZ", 0.0, "how fast it moves"),
    ("carrier-hz", "HZ", 12_000.0, "if: the intermediate frequency"),
    ("imbalance-pct", "PCT", 0.0, "iq: mirror image"),
    ("detector-knee", "PCT", 0.0, "detector: where the diode bends, in %% of the carrier"),
    ("detector-rc", "MS", 0.0, "detector: time constant; too slow cuts the corners of troughs"),
    ("detector-coupling-hz", "HZ", 2.0, "detector: corner of the AC coupling; 0: DC-coupled"),
)


def add_simulate(commands: Commands) -> None:
    """Add the command ``simulate``."""
    parser = commands.add_parser(
        "simulate",
        help="make a recording of the transmitted signal from a sound file",
        description="Make a recording as a receiver would make it of what the transmitter sends\n"
        "when a sound file is played into it: to try check and level on signals whose\n"
        "truth is known, and to see what an SDR or a detector shows of it. AUDIO is what\n"
        "the sound card gets, as for predict. OUT is a .wav or .flac file, or raw samples.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("audio", type=Path, metavar="AUDIO", help="anything libsndfile reads")
    parser.add_argument("out", type=Path, metavar="OUT", help="the recording")
    parser.add_argument(
        "--kind",
        required=True,
        choices=KINDS,
        help="iq: two channels, I and Q; if: the carrier at a low frequency; detector: demodulated",
    )
    parser.add_argument("--rig", metavar="NAME_OR_FILE", help="the transmitter (plate-modulated)")
    parser.add_argument("--path", metavar="NAME", help="which of the rig's paths (the first)")
    parser.add_argument(
        "--channel", default="mix", metavar="C", help="of AUDIO: mix (default), left, right, N"
    )
    parser.add_argument("--report", type=Path, metavar="FILE", help="save the truth as .json, .csv")
    add_keys_option(parser, "--report-keys", "simulate")
    _add_file(parser)
    for title, rows in (
        ("the transmitter", TRANSMITTER),
        ("on the air", CHANNEL),
        ("the receiver", RECEIVER),
    ):
        group = parser.add_argument_group(title)
        for option, unit, usual, what in rows:
            shown = "" if usual is None else f" ({usual:g})"
            group.add_argument(
                f"--{option}", type=float, metavar=unit, default=usual, help=f"{what}{shown}"
            )
    parser.set_defaults(run=_simulate)


def _add_file(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("the recording")
    group.add_argument(
        "--rate", type=_whole_hz, metavar="HZ", help="sample rate (48000; 96000 for iq), to 3 MHz"
    )
    group.add_argument(
        "--level",
        type=float,
        default=-12.0,
        metavar="DBFS",
        help="of the unmodulated carrier: magnitude, peak or DC (-12)",
    )
    group.add_argument("--subtype", metavar="TYPE", help="PCM_U8, PCM_16, PCM_24 (default), FLOAT")
    group.add_argument(
        "--format",
        choices=RAW,
        help="of .iq and .raw files, little-endian (s16); .cu8, .cs8, .cs16, .cf32 say it",
    )
    group.add_argument(
        "--carrier-s",
        type=float,
        default=2.0,
        metavar="S",
        help="unmodulated carrier before and after the audio (2)",
    )
    group.add_argument("--seed", type=int, default=1, metavar="N", help="of the noise (1)")


def _whole_hz(text: str) -> int:
    """Read a rate, which may be written as 2.4e6."""
    try:
        rate_hz = float(text)
        if rate_hz.is_integer():
            return int(rate_hz)
    except ValueError:
        pass
    raise argparse.ArgumentTypeError(f"{text!r} is no whole number of Hz")


def _simulate(arguments: argparse.Namespace) -> int:
    from carrierfloor.cli.simulate import simulate
    from carrierfloor.dsp.simulated_channel import ChannelDesign
    from carrierfloor.dsp.simulated_detector import DetectorDesign
    from carrierfloor.dsp.simulated_modulator import ModulatorDesign
    from carrierfloor.dsp.simulation import SimulationDesign

    given = arguments
    design = SimulationDesign(
        kind=given.kind,
        rate_hz=given.rate if given.rate is not None else USUAL_RATES_HZ[given.kind],
        path=given.path,
        level_dbfs=given.level,
        carrier_hz=given.carrier_hz,
        carrier_s=given.carrier_s,
        seed=given.seed,
        modulator=ModulatorDesign(
            second_pct=given.second_pct,
            third_pct=given.third_pct,
            compress_pct=given.compress,
            keep_alive_pct=given.keep_alive,
            hum_db=given.hum_db,
            hum_hz=given.hum_hz,
        ),
        channel=ChannelDesign(
            carrier_to_noise_db=given.carrier_to_noise,
            noise_bandwidth_hz=given.noise_bandwidth,
            fading_db=given.fading_db,
            fading_hz=given.fading_hz,
            fading_delay_ms=given.fading_delay_ms,
            offset_hz=given.offset_hz,
            drift_hz_per_s=given.drift_hz_per_s,
            neighbour_db=given.neighbour_db,
            neighbour_hz=given.neighbour_hz,
            imbalance_pct=given.imbalance_pct,
        ),
        detector=DetectorDesign(
            knee_pct=given.detector_knee,
            rc_ms=given.detector_rc,
            coupling_hz=given.detector_coupling_hz,
        ),
    )
    return simulate(
        given.audio,
        given.out,
        design,
        rig=given.rig,
        channel=given.channel,
        sample_type=given.subtype,
        raw_format=given.format,
        save_report=given.report,
    )
