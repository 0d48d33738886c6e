"""What ``simulate`` shows."""

from collections.abc import Iterator

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.report import Report
from carrierfloor.cli.screen import BAD, GOOD, NOTE, QUIET

KINDS = {"iq": "IQ", "if": "low IF", "detector": "detector"}
TIMES_SHOWN = 8
NAME_WIDTH = 19


def show(report: Report, console: Console) -> None:
    """Print what was made, and the truth about it."""
    recording = report["recording"]
    heading = Text(report["input"]["file"], style="bold")
    heading.append(f"\ninto: {report['rig']['name']}, {report['rig']['path']}\n", style=QUIET)
    console.print(heading)
    made, true = _tables(report)
    console.print(made)
    console.print()
    console.print(true)
    if report["modulation"]["cutoffs"]:
        console.print()
        console.print(f"The carrier goes off at {_times(report['modulation'])}")
    for note in report["notes"]:
        console.print(Text(f"Note: {note}", style=NOTE))
    console.print(Text(f"Written: {recording['file']}", style=QUIET), soft_wrap=True)


def _tables(report: Report) -> tuple[Table, Table]:
    made, true = screen.table("The recording", ""), screen.table("At the transmitter", "")
    for row in (*_recording(report), *_transmitter(report), *_channel(report), *_detector(report)):
        made.add_row(*row)
    for name, value in _truth(report["modulation"], report["carrier"]):
        true.add_row(name, value)
    for table in (made, true):  # one under the other, their columns in line
        table.columns[0].min_width = NAME_WIDTH
    return made, true


def _recording(report: Report) -> Iterator[tuple[str, str]]:
    recording = report["recording"]
    stored = f"{recording['container']} {recording['sample_type']}"
    yield "Kind", f"{KINDS[recording['kind']]}, {recording['sample_rate_hz']} Hz, {stored}"
    begins, ends = recording["audio_begins_s"], recording["audio_ends_s"]
    yield "Length", f"{recording['duration_s']:.2f} s, the audio from {begins:.2f} to {ends:.2f} s"
    carrier = f"{recording['carrier_dbfs']:g} dBFS"
    if recording["carrier_hz"] is not None:
        drift = report["channel"]["drift_hz_per_s"]
        carrier += f" at {recording['carrier_hz']:g} Hz" + (f", {drift:+g} Hz/s" if drift else "")
    yield "Carrier", f"{carrier}; highest peak {recording['peak_dbfs']:.1f} dBFS"


def _transmitter(report: Report) -> Iterator[tuple[str, str]]:
    given = report["transmitter"]
    if given["second_pct"] or given["third_pct"]:
        yield "Harmonics", f"second {given['second_pct']:g} %, third {given['third_pct']:g} %"
    if given["compress_pct"] is not None:
        yield "Crests", f"compressed above {given['compress_pct']:g} %"
    if given["keep_alive_pct"] is not None:
        yield "Diode", f"holds {given['keep_alive_pct']:g} % of the carrier"
    if given["hum_db"] is not None:
        yield "Hum", f"{given['hum_db']:g} dB at {given['hum_hz']:g} Hz"


def _channel(report: Report) -> Iterator[tuple[str, str]]:
    given = report["channel"]
    if given["carrier_to_noise_db"] is not None:
        width = f"{given['noise_bandwidth_hz']:g} Hz"
        yield "Carrier to noise", f"{given['carrier_to_noise_db']:g} dB in {width}"
    if given["fading_db"]:
        delay = given["fading_delay_ms"]
        late = f", second ray {delay:g} ms late" if delay else ""
        yield "Fading", f"{given['fading_db']:g} dB, {given['fading_hz']:g} a second{late}"
    if given["neighbour_db"] is not None:
        yield "Neighbour", f"{given['neighbour_db']:+g} dB, {given['neighbour_hz']:+g} Hz away"
    if given["imbalance_pct"]:
        yield "Mirror image", f"{given['imbalance_pct']:g} %"


def _detector(report: Report) -> Iterator[tuple[str, str]]:
    given = report["detector"]
    if given["knee_pct"] is not None:
        coupled = f"AC-coupled from {given['coupling_hz']:g} Hz"
        if not given["coupling_hz"]:
            coupled = "DC-coupled"
        yield "Detector", f"knee {given['knee_pct']:g} %, RC {given['rc_ms']:g} ms, {coupled}"


def _truth(true: Report, carrier: Report) -> Iterator[tuple[str, str | Text]]:
    wanted, depth = true["wanted_negative_peak_pct"], true["negative_peak_pct"]
    asked = f" (the audio asks for {wanted:.1f} %)" if wanted > depth + 0.05 else ""
    yield "Negative peak", f"{depth:.1f} %{asked}"
    yield "Positive peak", f"{true['positive_peak_pct']:.1f} %"
    off = ""
    if true["cutoffs"]:
        off = f", {true['cutoff_ms']:.1f} ms in all, longest {true['cutoff_longest_ms']:.2f} ms"
    yield "Carrier cut-offs", Text(f"{true['cutoffs']}{off}", BAD if true["cutoffs"] else GOOD)
    yield "Modulation density", f"{true['density_pct']:.1f} %"
    yield "Carrier shift", f"{carrier['shift_db']:+.2f} dB"
    yield "Peak envelope power", f"{true['pep_ratio']:.2f} x carrier"


def _times(true: Report) -> str:
    times = true["cutoff_times_s"]
    shown = ", ".join(f"{at_s:.3f}" for at_s in times[:TIMES_SHOWN])
    more = true["cutoffs"] - min(len(times), TIMES_SHOWN)
    return f"{shown} s" + (f" and {more} times more." if more else ".")
