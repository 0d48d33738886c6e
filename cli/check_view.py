"""A checked recording on the screen."""

from collections.abc import Iterator

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.check_report import PERCENTILES
from carrierfloor.cli.report import Report
from carrierfloor.cli.screen import BAD, GOOD, NOTE, QUIET
from carrierfloor.cli.summary import clock

KINDS = {"iq": "IQ", "if": "intermediate frequency", "detector": "detector"}
TIMES_SHOWN = 8
RUNS_SHOWN = 12
MOST_FLOOR_DBC = -20.0  # a higher bound on splatter says nothing
Row = tuple[str, str | Text, str]


def show(report: Report, console: Console) -> None:
    """Print what the antenna did: the verdict first."""
    console.print(Text(report["recording"]["file"], style="bold"), soft_wrap=True)
    console.print(_heading(report))
    console.print(_verdict(report))
    words = report["verdict"]["words"]
    if words is not None:
        console.print(words, style="" if report["verdict"]["keeps"] else NOTE)
    if report["verdict"]["written"]:
        console.print(_written(report), soft_wrap=True)
    console.print()
    console.print(_figures(report))
    if report["tones"]["runs"]:
        console.print()
        console.print(_tones(report["tones"]["runs"]))
    if report["emission"]["masks"]:
        console.print()
        console.print(_masks(report["emission"]["masks"]))
    times = report["modulation"]["cutoff_times_s"]
    if times:
        console.print()
        console.print(f"The carrier goes off at {_times(times, report['modulation']['cutoffs'])}")
    for note in report["notes"]:
        console.print(Text(f"Note: {note}", style=NOTE))
    if report["clips"]["files"]:
        words = f"Clips: {len(report['clips']['files'])}, with pictures, in "
        console.print(Text(words + report["clips"]["folder"], style=QUIET), soft_wrap=True)
    for path in report["pictures"]:
        console.print(Text(f"Picture: {path}", style=QUIET), soft_wrap=True)


def _heading(report: Report) -> Text:
    recording, carrier = report["recording"], report["carrier"]
    words = f"{KINDS[recording['kind']]}, {recording['sample_rate_hz'] / 1000.0:g} kHz, "
    words += clock(recording["duration_s"])
    if carrier["frequency_hz"] is not None:
        words += f"; carrier at {carrier['frequency_hz']:.1f} Hz"
    if report["rig"]["name"]:
        words += f"; rig: {report['rig']['name']}"
    return Text(f"{words}\n", style=QUIET)


def _verdict(report: Report) -> Text:
    m = report["modulation"]
    if not report["recording"]["modulated_s"]:
        return Text("A carrier without modulation.", style=NOTE)
    peaks = f"-{m['negative_peak_pct']:.1f} %, +{m['positive_peak_pct']:.1f} %"
    keeps = report["verdict"]["keeps"]
    if m["cutoffs"]:
        times = "once" if m["cutoffs"] == 1 else f"{m['cutoffs']} times"
        if m["phase_reverses"]:
            return Text(
                f"The envelope goes through zero {times} and its phase turns over: {peaks}.",
                style=BAD,
            )
        return Text(f"The carrier goes off {times}: this splatters. {peaks}.", style=BAD)
    zero = "The carrier comes to zero or nearly so" if m["cutoffs_uncertain"] else None
    if keeps is False:
        stays = zero or "The carrier stays up"
        joint = "and" if zero else "but"
        return Text(f"{stays}, {joint} a limit of the rig is broken: {peaks}.", style=BAD)
    if report["detector"]["may_be_safe"] is False:
        deep = f" Troughs may be as deep as {report['detector']['depth_may_be_pct']:.1f} %."
        said = report["verdict"]["words"] is not None  # the next line begins with it
        return Text(f"Seen: {peaks}.{'' if said else deep}", style=NOTE)
    within = ", within the rig's limits" if keeps else ""
    if zero:
        return Text(f"{zero}{within}: {peaks}.", style=NOTE)
    return Text(f"The carrier stays up{within}: {peaks}.", style=GOOD)


def _written(report: Report) -> str:
    source, backup = report["rig"]["source"], report["verdict"]["backup"]
    if backup is None:
        return f"{source} needs no change."
    return f"{source} is changed; before, it was what is now {backup}."


def _figures(report: Report) -> Table:
    table = screen.table()
    limit = "Limit" if report["rig"]["name"] else ""
    table.add_column("At the antenna")  # names break where the screen is narrow, figures never
    table.add_column("", justify="right", no_wrap=True)
    table.add_column(limit, justify="right", no_wrap=True, style=QUIET)
    for row in (*_peaks(report), *_levels(report), *_carrier(report), *_emission(report)):
        table.add_row(*row)
    return table


def _peaks(report: Report) -> Iterator[Row]:
    m, rig = report["modulation"], report["rig"]
    down, up = rig["negative_limit_pct"], rig["positive_limit_pct"]
    error = f" (within {2.0 * m['peak_error_pct']:.1f})"
    yield "Negative peak", _held(m["negative_peak_pct"], down, error), _limit(down, "%")
    yield "Positive peak", _held(m["positive_peak_pct"], up, error), _limit(up, "%")
    yield "  measured against", m["reference"], ""
    yield "  noise", m["peaks_by"], ""
    if m["cutoffs"]:
        yield "  modulation aims at", f"-{m['wanted_negative_peak_pct']:.0f} %", ""
    hidden = report["detector"]["may_be_safe"] is False
    seen = f"{m['cutoffs']} seen" if hidden else f"{m['cutoffs']}"
    cutoffs = Text(seen, style=BAD if m["cutoffs"] else NOTE if hidden else GOOD)
    if m["cutoffs_uncertain"]:
        cutoffs.append(f" + {m['cutoffs_uncertain']} in doubt", style=NOTE)
    yield "Carrier cut-offs", cutoffs, "0" if rig["name"] else ""
    if m["cutoffs"]:
        yield "Carrier off for", f"{m['cutoff_ms']:.1f} ms", ""
        yield "  longest", f"{m['cutoff_longest_ms']:.2f} ms", ""
    yield "(A - B) / (A + B), for comparison", f"{m['symmetric_pct']:.1f} %", ""


def _levels(report: Report) -> Iterator[Row]:
    m, rig = report["modulation"], report["rig"]
    yield "Modulation density", f"{m['density_pct']:.1f} %", ""
    yield "Speech active", f"{m['activity_pct']:.0f} %", ""
    low, high = (m["percentiles_pct"][f"below_{p:g}_pct"] for p in (PERCENTILES[1], PERCENTILES[5]))
    yield "98 % of the time within", f"{low:+.0f} to {high:+.0f} %", ""
    yield "Mean power while modulated", f"{m['power_ratio']:.3f} x carrier", ""
    yield "Peak envelope power", f"{m['pep_ratio']:.2f} x carrier", ""
    if m["pep_w"] is not None:
        limit = rig["pep_limit_w"]
        over = limit is not None and m["pep_w"] > limit
        yield "", Text(f"{m['pep_w']:.0f} W", style=BAD if over else ""), _limit(limit, "W")


def _carrier(report: Report) -> Iterator[Row]:
    carrier, hum, recording = report["carrier"], report["hum"], report["recording"]
    shift = carrier["shift_db"]
    yield "Carrier shift", "not known" if shift is None else f"{_signed(shift)} dB", ""
    if carrier["drift_hz_per_s"] is not None:
        yield "Carrier drift", f"{_signed(carrier['drift_hz_per_s'])} Hz/s", ""
    if hum["total_db"] is not None:
        mains = "none" if hum["hum_db"] is None else f"{hum['hum_db']:.0f} dB"
        yield "Hum", mains, ""
        yield "Noise", f"{hum['noise_db']:.0f} dB", ""
    ratio = recording["carrier_to_noise_db"]
    if ratio is not None:
        yield "Carrier over noise in 10 kHz", f"{ratio:.0f} dB", ""


def _emission(report: Report) -> Iterator[Row]:
    emission = report["emission"]
    names = {
        "occupied_hz": "Occupied bandwidth (99 %)",
        "power_26_db_hz": "  26 dB, as powers",
        "level_26_db_hz": "  26 dB, as levels",
        "sidebands_occupied_hz": "  sidebands alone (99 %)",
    }
    for key, name in names.items():
        width = emission[key]
        more = " or more" if key in emission["reaches_the_end"] else ""
        yield name, "-" if width is None else f"{width / 1000.0:.2f} kHz{more}", ""
    for key in ("beyond_5000_hz", "beyond_10000_hz"):
        own, floor = emission["own_beyond_dbc"][key], emission["own_beyond_floor_dbc"][key]
        name = f"Splatter beyond {key.split('_')[1][:-3]} kHz"
        if own is not None:
            yield name, f"{own:.1f} dBc", ""
        elif floor is not None and floor <= MOST_FLOOR_DBC:
            yield name, f"under {floor:.0f} dBc", ""
        elif floor is not None:
            yield name, "others hide it", ""


def _tones(runs: list[Report]) -> Table:
    table = screen.table("Steady tones")
    for title in ("From", "Each", "Peaks", "Off", "Shift", "THD / IM"):
        table.add_column(title, justify="right", no_wrap=True)
    for run in runs[:RUNS_SHOWN]:
        table.add_row(
            " + ".join(f"{hz:.0f}" for hz in run["frequencies_hz"]) + " Hz",
            f"{run['from_s']:.1f} s",
            " + ".join(f"{pct:.1f}" for pct in run["modulation_pct"]) + " %",
            _run_peaks(run),
            f"{run['off_share_pct']:.1f} %" if run["off_share_pct"] else "-",
            f"{_signed(run['carrier_shift_db'])} dB",
            _run_distortion(run),
        )
    if len(runs) > RUNS_SHOWN:
        table.add_row(f"and {len(runs) - RUNS_SHOWN} more", *[""] * 6)
    return table


def _run_peaks(run: Report) -> str:
    if run["positive_peak_pct"] is None:
        return "-"
    return f"-{run['negative_peak_pct']:.1f} +{run['positive_peak_pct']:.1f} %"


def _run_distortion(run: Report) -> str:
    if run["thd_pct"] is not None:
        return f"{run['thd_pct']:.2f} %"
    return "-" if run["third_order_db"] is None else f"{run['third_order_db']:.1f} dB"


def _masks(masks: list[Report]) -> Table:
    table = screen.table("Mask")
    for title in ("Kept", "Lower side", "Upper side"):
        table.add_column(title, justify="right")
    for mask in masks:
        kept = {True: Text("yes", style=GOOD), False: Text("no", style=BAD), None: Text("-")}
        table.add_row(
            mask["name"], kept[mask["keeps"]], *map(_point, (mask["lower"], mask["upper"]))
        )
    return table


def _point(point: Report | None) -> str:
    if point is None:
        return "-"
    way = "under" if point["margin_db"] >= 0.0 else "over"
    return f"{abs(point['margin_db']):.1f} dB {way} at {point['offset_hz'] / 1000.0:+.1f} kHz"


def _held(pct: float, limit_pct: float | None, error: str) -> Text:
    style = "" if limit_pct is None else GOOD if pct <= limit_pct + 0.5 else BAD
    return Text(f"{pct:.1f} %", style=style).append(error, style=QUIET)


def _signed(value: float) -> str:
    """Return a number with two decimals and its sign, zero without one."""
    rounded = round(value, 2)
    return f"{rounded:+.2f}" if rounded else "0.00"


def _limit(limit: float | None, unit: str) -> str:
    return "" if limit is None else f"{limit:g} {unit}"


def _times(times: list[float], count: int) -> str:
    shown = ", ".join(f"{at_s:.3f}" for at_s in times[:TIMES_SHOWN])
    more = count - min(len(times), TIMES_SHOWN)
    return f"{shown} s" + (f" and {more} times more." if more > 0 else ".")
