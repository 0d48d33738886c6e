"""The result of a measurement on the screen."""

from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.report import Report
from carrierfloor.cli.screen import BAD, GOOD, NOTE, QUIET
from carrierfloor.cli.whole_table import print_whole

GOOD_PCT, FAIR_PCT = 1.0, 3.0  # worst error of a fit
SHOWN = {"": ".3f", "dB": "+.2f"}  # how numbers are shown, by their unit
SMALLEST = {"": 0.001, "dB": 0.01, "Hz": 0.01}  # uncertainty worth showing
LABEL_WIDTH, WIDEST_NAME, WIDEST_KEY = 10, 24, 19


def show(report: Report, console: Console) -> None:
    """Print a measurement."""
    paths = list(report["paths"].values())
    sources = ", ".join(path["capture"] for path in paths)
    heading = Text(report["rig"]["name"], style="bold")
    heading.append(f"\nmeasured with {report['sweep']['source']}, from {sources}", style=QUIET)
    console.print(heading, "", sep="\n")
    for path in paths:
        console.print(_verdict(path, len(paths) > 1))
    console.print(_written(report["rig"]))
    for path in paths:
        console.print()
        print_whole(_sections(path), console)
        console.print()
        console.print(_figures(path, report))
    console.print()
    if report["rig"]["changes"]:
        console.print(_changes(report["rig"]))
    for note in report["notes"]:
        console.print(Text(f"Note: {note}", style=NOTE))
    for picture in report["pictures"]:
        console.print(Text(f"Picture: {picture}", style=QUIET), soft_wrap=True)


def _verdict(path: Report, name_it: bool) -> Text:
    error_pct = path["worst_error_pct"]
    what = f"{path['name']}: the path" if name_it else "The path"
    if error_pct <= GOOD_PCT:
        words = f"{what} is known to {max(0.01, error_pct):.2f} % from 100 Hz to 5 kHz."
        return Text(words, style=GOOD)
    if error_pct <= FAIR_PCT:
        return Text(f"{what} is known to {error_pct:.1f} % from 100 Hz to 5 kHz.", style=NOTE)
    return Text(f"{what} is known to {error_pct:.1f} % only; the margin covers that.", style=BAD)


def _written(rig: Report) -> Text:
    file = rig["source"]
    if rig["backup"]:
        return Text(f"{file} is changed; the file before is {rig['backup']}.")
    if rig["written"]:
        return Text(f"{file} has it all already.")
    return Text(f"{file} is not changed (--dry-run).", style=NOTE)


def _sections(path: Report) -> Table:
    table = screen.table()
    table.add_column(path["name"], max_width=WIDEST_NAME)
    for title in ("Frequency", "", "Q", "", "Gain", ""):
        table.add_column(title, justify="right" if title else "left", no_wrap=True)
    for section in path["sections"]:
        known = section["uncertainty"]
        key = "centre_hz" if "centre_hz" in section else "corner_hz"
        cells = [section["kind"], _hertz(section[key]), _known(known.get(key), "Hz")]
        for key, unit in (("q", ""), ("gain_db", "dB")):
            cells += (
                [f"{section[key]:{SHOWN[unit]}} {unit}".rstrip(), _known(known.get(key), unit)]
                if key in section
                else ["", ""]
            )
        table.add_row(*cells)
    if not path["sections"]:
        table.add_row("flat")
    return table


def _hertz(frequency_hz: float) -> str:
    return f"{frequency_hz:.0f} Hz" if frequency_hz >= 1000.0 else f"{frequency_hz:.4g} Hz"


def _known(uncertainty: float | None, unit: str) -> Text:
    """Return an uncertainty, unless it lies below the digits shown."""
    if uncertainty is None or uncertainty < SMALLEST[unit]:
        return Text()
    return Text(f"± {uncertainty:.2g}", style=QUIET)


def _figures(path: Report, report: Report) -> Table:
    grid = Table.grid(padding=(0, 2))
    grid.add_column(style=QUIET, no_wrap=True, min_width=LABEL_WIDTH)
    grid.add_column()
    for subject, words in _lines(path, report):
        grid.add_row(subject, words)
    return grid


def _lines(path: Report, report: Report) -> list[tuple[str, str]]:
    unknown, clock_ppm = path["unknown_path"], round(path["clock_ppm"], 1) + 0.0  # no -0.0
    lines = [
        (
            "Fit",
            f"residual {path['residual_db']:.1f} dB, worst error {path['worst_error_pct']:.2f} % "
            f"at {path['worst_error_hz']:.0f} Hz",
        ),
        (
            "Capture",
            f"signal to noise {path['signal_to_noise_db']:.1f} dB, peak {path['peak_dbfs']:.1f} "
            f"dBFS, {path['sample_rate_hz']} Hz",
        ),
        (
            "Delay",
            f"{path['delay_ms']:.2f} ms, clocks apart by {clock_ppm:+.1f} ppm",
        ),
        ("Polarity", _polarity(path, report)),
        ("Distortion", f"2nd harmonic {_distortion(path, 'second_pct')}"),
        ("", f"3rd harmonic {_distortion(path, 'third_pct')}"),
    ]
    if path["hum"]:
        lines.append(("Hum", _hum(path["hum"])))
    return [
        *lines,
        ("Margin", _margin(path["margin"], "negative")),
        ("", _margin(path["margin"], "positive")),
        ("", _seen(report["sweep"]["depth_pct"])),
        (
            "Regrowth",
            f"-{unknown['negative_peak_pct']:.0f} % +{unknown['positive_peak_pct']:.0f} % if the "
            "limiter did not know this path",
        ),
    ]


def _polarity(path: Report, report: Report) -> str:
    words = f"capture {path['polarity']}"
    if report["detector"]["polarity"] is None:
        return f"{words}; the transmitter's is not known without --detector-polarity"
    detector, transmitter = report["detector"]["polarity"], report["rig"]["polarity"]
    return f"{words}, detector {detector}: transmitter {transmitter or 'not known'}"


def _distortion(path: Report, key: str) -> str:
    words = []
    for at, found in path["distortion"].items():
        hz = float(at.removeprefix("at_").removesuffix("_hz"))
        if found[key] is not None:
            words.append(f"{found[key]:.2f} % at {hz:g} Hz")
    return ", ".join(words) or "beyond the sweep"


def _hum(hum: Report) -> str:
    return ", ".join(
        f"{float(key.removesuffix('_hz')):.0f} Hz {db:.0f} dB" for key, db in hum.items()
    )


def _margin(margin: Report, side: str) -> str:
    parts = margin[side]
    return (
        f"{margin[f'{side}_pct']:.1f} % {'down' if side == 'negative' else 'up'}: fit "
        f"{parts['response_pct']:.2f}, distortion {parts['distortion_pct']:.2f}, hum "
        f"{parts['hum_pct']:.2f}"
    )


def _seen(depth_pct: float) -> str:
    return f"seen up to {depth_pct:.0f} % modulation; what bends only beyond that is not in it"


def _changes(rig: Report) -> Table:
    table = screen.table()
    where = f"In {Path(rig['source']).name}"  # which folder stands above
    table.add_column(where, width=WIDEST_KEY, overflow="fold")
    table.add_column("Before", style=QUIET)
    table.add_column("Now" if rig["written"] else "Would be")
    for change in rig["changes"]:
        what = change["what"].removeprefix("modulation.").removeprefix("level.")
        table.add_row(what, *(_one_a_line(change[key]) for key in ("old", "new")))
    return table


def _one_a_line(value: str) -> str:
    """Put the sections of a path below each other."""
    return value.replace(", ", "\n") or "none"
