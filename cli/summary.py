"""The summary of a processed file, as a person likes to read it."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console, Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.report import Report
from carrierfloor.cli.screen import BAD, GOOD, NOTE, QUIET

CUT_OFF_PCT = 100.0


def show(report: Report, console: Console) -> None:
    """Print the summary of one file."""
    console.print(Group(_heading(report), Text(), _antenna(report), Text(), _facts(report)))
    for note in report["notes"]:
        console.print(Padding(Text(f"Note: {note}", style=NOTE), (0, 0, 0, 2)))


def _heading(report: Report) -> Text:
    heading = Text()
    heading.append(report["input"]["file"], style="bold")
    heading.append(" to ", style=QUIET)
    heading.append(report["output"]["file"], style="bold")
    heading.append(f"\n{report['voice']['name']}, for: {report['rig']['name']}", style=QUIET)
    return heading


def _antenna(report: Report) -> Table:
    """Compare, side by side, what the antenna sees with what it would see otherwise."""
    table = screen.table()
    table.add_column("At the antenna", justify="left")
    table.add_column("This file", justify="right", style="bold")
    others = [("path_blind", "Path-blind\nlimiter"), ("unprocessed", "Unprocessed")]
    others = [(key, title) for key, title in others if report[key]["cutoffs"] is not None]
    for _, title in others:
        table.add_column(title, justify="right")
    limits = report["rig"]
    table.add_column("Limit", justify="right", style=QUIET)
    columns = [report["antenna"], *(report[key] for key, _ in others)]
    table.add_row(
        "Negative peak",
        *(_trough(column["negative_peak_pct"]) for column in columns),
        f"{limits['negative_limit_pct']:g} %",
    )
    table.add_row(
        "Positive peak",
        *(f"{column['positive_peak_pct']:.1f} %" for column in columns),
        f"{limits['positive_limit_pct']:g} %",
    )
    table.add_row("Carrier cut-offs", *(_cutoffs(column["cutoffs"]) for column in columns), "0")
    table.add_row("Carrier off for", *(_duration(column["cutoff_ms"]) for column in columns), "0")
    same = f"{report['antenna']['density_pct']:.1f} %"
    table.add_row("Modulation density", *(same for _ in columns), "")
    return table


def _trough(pct: float) -> Text:
    return Text(f"{pct:.1f} %", style=BAD if pct >= CUT_OFF_PCT else GOOD)


def _cutoffs(number: int) -> Text:
    return Text(f"{number:,}".replace(",", " "), style=BAD if number else GOOD)


def _duration(ms: float) -> str:
    if ms == 0.0:
        return "0"
    return f"{ms:.1f} ms" if ms < 1000.0 else f"{ms / 1000.0:.1f} s"


def _facts(report: Report) -> Table:
    """List what else is worth knowing, one line a subject."""
    table = Table.grid(padding=(0, 2))
    table.add_column(style=QUIET, no_wrap=True)
    table.add_column()
    for subject, words in _lines(report):
        table.add_row(subject, words)
    return table


def _lines(report: Report) -> Sequence[tuple[str, str]]:
    heard, sent, card = report["input"], report["output"], report["card"]
    antenna, chain, speed = report["antenna"], report["chain"], report["speed"]
    lines = [
        ("Files", f"{_format(heard)}, {_channels(heard)}; to {_format(sent)}"),
        (
            "Input",
            f"peak {_db(heard['peak_dbfs'])} dBFS, speech {_db(heard['active_level_dbfs'])} dBFS, "
            f"active {heard['activity_pct']:.0f} % of {clock(heard['duration_s'])}",
        ),
        (
            "Sound card",
            f"peak {_db(card['peak_dbfs'])} dBFS, speech {_db(sent['active_level_dbfs'])} dBFS",
        ),
        ("Gain", _gain(report)),
        (
            "Band",
            f"up to {chain['low_pass_hz']:.0f} Hz; beyond {antenna['emission_offset_hz']:.0f} Hz "
            f"from the carrier {_db(antenna['emission_dbc'])} dBc",
        ),
    ]
    if report["rig"]["equalised"]:
        lines.append(("Equaliser", _equaliser(report["equaliser"])))
    if antenna["pep_w"] is not None:
        limit = antenna["pep_limit_w"]
        allowed = "" if limit is None else f" of {limit:g} W allowed"
        lines.append(("Peak power", f"{antenna['pep_w']:.0f} W PEP{allowed}"))
    lines += [
        ("Delay", f"{chain['latency_ms']:.1f} ms in the chain, taken out of the file"),
        (
            "Speed",
            f"{speed['times_real_time']:.0f} times real time "
            f"(measuring took another {speed['watching_s']:.1f} s)",
        ),
    ]
    return lines


def _gain(report: Report) -> str:
    """Describe every stage that turns something up or down, in the order of the chain."""
    words = []
    for stage, readings in report["meters"].items():
        if "removed_db" in readings:
            words.append(f"{stage} removed {_db(readings['removed_db'])} dB")
        elif "gain_mean_db" in readings:
            words.append(f"{stage} {readings['gain_mean_db']:+.1f} dB")
        else:
            deepest = readings.get("gain_reduction_max_db")
            if deepest is not None:
                words.append(f"{stage} up to {_minus(deepest)} dB")
    return ", ".join(words)


def _equaliser(found: Report) -> str:
    flat = (
        f"antenna flat within {found['deviation_db']:.1f} dB "
        f"from {found['lowest_hz']:g} to {found['highest_hz']:g} Hz"
    )
    if found["rest_ms"] == 0.0:
        return f"nothing to do, {flat} without it"
    return (
        f"{flat} ({found['deviation_without_db']:.1f} dB without), "
        f"boost up to {found['boost_db']:.1f} dB; "
        f"comes to rest in the last {found['rest_ms']:.0f} ms, which are silent"
    )


def _minus(reduction_db: float) -> str:
    return f"-{reduction_db:.1f}" if reduction_db >= 0.05 else "0"


def _db(level_db: float | None) -> str:
    return "-inf" if level_db is None else f"{level_db:.1f}"


def clock(seconds: float) -> str:
    """Return a length of time as people write it."""
    if seconds < 60.0:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d} h" if hours else f"{minutes}:{rest:02d} min"


def _format(file: dict[str, Any]) -> str:
    rate_khz = file["sample_rate_hz"] / 1000.0
    return f"{file['container']} {file['sample_type']}, {rate_khz:g} kHz"


def _channels(heard: dict[str, Any]) -> str:
    if heard["channels"] == 1:
        return "mono"
    if heard["channel"] == "mix":
        return f"mean of {heard['channels']} channels"
    return f"channel {heard['channel']} of {heard['channels']}"
