"""Readings and level on the screen."""

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.report import Report
from carrierfloor.cli.screen import BAD, GOOD, NOTE, QUIET
from carrierfloor.cli.whole_table import print_whole

GOOD_PCT, FAIR_PCT = 2.0, 5.0  # error of the level
HEIGHTS = ("carrier", "crest", "trough")
HEARD = {
    "scope": "by readings from the scope",
    "iq": "by the IQ recording {source}",
    "if": "by the low-IF recording {source}",
    "detector": "by the flat bottom in the detector recording {source}",
}


def show(report: Report, console: Console) -> None:
    """Print a level."""
    heading = Text(report["rig"]["name"], style="bold")
    heading.append(f"\nlevel {HEARD[report['method']].format(**report)}", style=QUIET)
    console.print(heading, "", sep="\n", soft_wrap=True)
    console.print(_verdict(report["level"]))
    console.print(_written(report["rig"]), soft_wrap=True)
    console.print()
    console.print(_figures(report))
    console.print()
    print_whole(readings_table(report["readings"], as_typed=report["method"] == "scope"), console)
    for note in report["notes"]:
        console.print(Text(f"Note: {note}", style=NOTE))


def verdict(full_modulation_dbfs: float, error_db: float, error_pct: float) -> Text:
    """Say how high the level is, coloured by how well it is known."""
    style = GOOD if error_pct <= GOOD_PCT else NOTE if error_pct <= FAIR_PCT else BAD
    return Text(
        f"100 % at 1 kHz takes {full_modulation_dbfs:.2f} dBFS, known to {error_db:.2f} dB "
        f"({error_pct:.1f} % of the modulation).",
        style=style,
    )


def _verdict(level: Report) -> Text:
    return verdict(level["full_modulation_dbfs"], level["error_db"], level["error_pct"])


def _written(rig: Report) -> Text:
    file = rig["source"]
    if rig["backup"]:
        return Text(f"{file} is changed; before, it was what is now {rig['backup']}.")
    if rig["written"]:
        return Text(f"{file} has it all already.")
    return Text(f"{file} is not changed (--dry-run).", style=NOTE)


def _figures(report: Report) -> Table:
    level, linearity, recording = (report[key] for key in ("level", "linearity", "recording"))
    limit = f"{report['rig']['negative_limit_pct']:g}"
    by_positive = level["by_positive_peaks_dbfs"]
    rows = [
        ("Polarity", level["polarity"] or "not known"),
        ("By the positive peaks", "never" if by_positive is None else f"{by_positive:.2f} dBFS"),
        (f"Crest where the trough is -{limit} %", f"+{linearity['crest_at_limit_pct']:.1f} %"),
        ("Carrier cut-off", _cutoff(linearity)),
    ]
    if linearity["carrier_shift_pct"] is not None:
        rows.append(("Largest carrier shift", f"{linearity['carrier_shift_pct']:+z.1f} %"))
    if recording["carrier_hz"] is not None:
        drift = recording["drift_hz_per_s"]
        rows.append(
            ("Carrier in the recording", f"{recording['carrier_hz']:.1f} Hz, {drift:+z.2f} Hz/s")
        )
    table = Table.grid(padding=(0, 2))
    table.add_column(style=QUIET)
    table.add_column()
    for row in rows:
        table.add_row(*row)
    return table


def _cutoff(linearity: Report) -> str:
    if linearity["cutoff_dbfs"] is not None:
        return f"from {linearity['cutoff_dbfs']:.2f} dBFS"
    if linearity["floor_pct"] is not None:
        return f"never: troughs stop at -{linearity['floor_pct']:.0f} %"
    return "not foreseen"


def readings_table(readings: Sequence[Report], *, as_typed: bool) -> Table:
    """List readings, one a row; heights as they were typed in, or with the carrier as 1."""
    table = screen.table()
    for title in ("dBFS", "Carrier", "Crest", "Trough", "Positive", "Negative", "(A-B)/(A+B)"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    for one in readings:
        table.add_row(
            f"{one['level_dbfs']:.2f}",
            *(f"{one[key]:.4g}" if as_typed else f"{one[key]:.3f}" for key in HEIGHTS),
            f"+{one['positive_pct']:.1f} %",
            f"-{one['negative_pct']:.1f} %",
            f"{one['symmetric_pct']:.1f} %",
            _remark(one),
        )
    return table


def _remark(reading: Report) -> Text:
    if reading.get("contradicts"):
        return Text("contradicts", style=BAD)
    if reading["negative_pct"] >= 98.0 and not reading.get("used", True):
        return Text("cut off", style=NOTE)
    return Text("" if reading.get("used", True) else "not used", style=QUIET)
