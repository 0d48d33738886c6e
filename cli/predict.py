"""The command ``predict``: what the antenna will see, for any sound file."""

from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import documents, predict_report, report_file, screen
from carrierfloor.cli.follow import follow
from carrierfloor.cli.report import Report
from carrierfloor.cli.screen import BAD, GOOD, NOTE, QUIET
from carrierfloor.cli.whole_file import check_folder
from carrierfloor.dsp.kernel import is_compiled
from carrierfloor.dsp.prediction import worst_of

TIMES_SHOWN = 8
LONGEST_TITLE = 25  # characters
LAST_KERNEL = "_spread"  # of dsp/modulation.py, the last that the meters compile


def predict(
    audio: Path,
    *,
    rig: str | None = None,
    save_report: Path | None = None,
    pictures: Path | None = None,
    channel: str = "mix",
) -> int:
    """Show what the antenna will see if a file is played into a rig.

    Parameters
    ----------
    audio : Path
        Any sound file; its samples are what the sound card gets.
    rig : str, optional
        Name or file; the default rig if left out.
    save_report : Path, optional
        Where a report goes, as .json or .csv.
    pictures : Path, optional
        Folder for the pictures.
    channel : str
        ``mix``, ``left``, ``right`` or a number.

    Returns
    -------
    int
        Exit status.

    Raises
    ------
    CarrierfloorError
        If the file, the rig or a place for the results cannot be used.
    """
    if save_report is not None:
        report_file.check_path(save_report)
    if pictures is not None:
        check_folder("--pictures", pictures)
    transmitter = documents.rig(rig)
    if not is_compiled(LAST_KERNEL):
        screen.remarks().print("First run on this machine: compiling, this takes a while ...")
    with screen.progress_bar() as bar:
        task = bar.add_task(audio.name, total=1.0)
        followed = follow(
            audio, transmitter, channel, progress=lambda part: bar.update(task, completed=part)
        )
    drawn: tuple[Path, ...] = ()
    if pictures is not None:
        from carrierfloor.cli.pictures import write_pictures

        drawn = write_pictures(
            pictures, {_short(audio.stem): worst_of(followed.paths)}, transmitter
        )
    found = predict_report.build(followed, transmitter, rig, drawn)
    if save_report is not None:
        report_file.save([found], save_report)
    show(found, screen.results())
    return 0


def _short(name: str) -> str:
    """Cut the middle out of a name that is too long for a title."""
    return name if len(name) <= LONGEST_TITLE else f"{name[:10]} ... {name[-10:]}"


def show(report: Report, console: Console) -> None:
    """Print a prediction."""
    antenna = report["antenna"]
    heading = Text(report["input"]["file"], style="bold")
    heading.append(f"\ninto: {report['rig']['name']}\n", style=QUIET)
    console.print(heading)
    console.print(_verdict(antenna))
    console.print()
    console.print(_table(report))
    if antenna["cutoffs"]:
        console.print()
        console.print(f"The carrier goes off at {_times(antenna)}")
    for note in _notes(report):
        console.print(Text(f"Note: {note}", style=NOTE))
    for path in report["pictures"]:
        console.print(Text(f"Picture: {path}", style=QUIET))


def _verdict(antenna: Report) -> Text:
    if not antenna["cutoffs"]:
        return Text("The carrier stays up.", style=GOOD)
    times = "once" if antenna["cutoffs"] == 1 else f"{antenna['cutoffs']} times"
    return Text(f"The carrier goes off {times}: this splatters.", style=BAD)


def _table(report: Report) -> Table:
    """List the figures, one column a path, the limits at the right."""
    paths = list(report["paths"].values())
    table = screen.table()
    table.add_column("At the antenna")
    for path in paths:
        table.add_column(path["path"], justify="right", max_width=24)
    table.add_column("Limit", justify="right", style=QUIET)
    for name, limit, values in _rows(report, paths):
        table.add_row(name, *values, limit)
    return table


def _rows(report: Report, paths: list[Report]) -> list[tuple[str, str, list[Text | str]]]:
    rig = report["rig"]
    down, up, pep = rig["negative_limit_pct"], rig["positive_limit_pct"], rig["pep_limit_w"]
    rows: list[tuple[str, str, list[Text | str]]] = [
        ("Negative peak", f"{down:g} %", [_held(p["negative_peak_pct"], down) for p in paths]),
        ("Positive peak", f"{up:g} %", [_held(p["positive_peak_pct"], up) for p in paths]),
        ("Carrier cut-offs", "0", [_count(p["cutoffs"]) for p in paths]),
        ("Carrier off for", "", [f"{p['cutoff_ms']:.1f} ms" for p in paths]),
        ("  longest", "", [f"{p['cutoff_longest_ms']:.2f} ms" for p in paths]),
        ("Modulation density", "", [f"{p['density_pct']:.1f} %" for p in paths]),
        ("Speech active", "", [f"{p['activity_pct']:.0f} %" for p in paths]),
        ("Mean power", "", [f"{p['power_ratio']:.3f} x carrier" for p in paths]),
        ("Peak envelope power", "", [f"{p['pep_ratio']:.2f} x carrier" for p in paths]),
    ]
    if paths[0]["pep_w"] is not None:
        limit = "" if pep is None else f"{pep:g} W"
        rows.append(("", limit, [_power(p["pep_w"], pep) for p in paths]))
    if paths[0]["peak_plate_v"] is not None:
        rows.append(("Plate voltage at crest", "", [f"{p['peak_plate_v']:.0f} V" for p in paths]))
    for hz in predict_report.BEYOND_HZ:
        key = f"beyond_{hz}_hz"
        values: list[Text | str] = [
            f"{p['emission_mean_dbc'][key]:.1f} ({p['emission_worst_dbc'][key]:.1f}) dBc"
            for p in paths
        ]
        rows.append((f"Emission beyond {hz / 1000:g} kHz", "", values))
    rows.append(("  in brackets: worst 85 ms", "", ["" for _ in paths]))
    return rows


def _held(pct: float, limit_pct: float) -> Text:
    return Text(f"{pct:.1f} %", style=GOOD if pct <= limit_pct + 0.1 else BAD)


def _count(number: int) -> Text:
    return Text(str(number), style=BAD if number else GOOD)


def _power(power_w: float, limit_w: float | None) -> Text:
    over = limit_w is not None and power_w > limit_w
    return Text(f"{power_w:.0f} W", style=BAD if over else "")


def _times(antenna: Report) -> str:
    times = antenna["cutoff_times_s"]
    shown = ", ".join(f"{at_s:.3f}" for at_s in times[:TIMES_SHOWN])
    more = antenna["cutoffs"] - min(len(times), TIMES_SHOWN)
    return f"{shown} s" + (f" and {more} times more." if more else ".")


def _notes(report: Report) -> list[str]:
    notes = []
    if report["rig"]["equalised"]:
        notes.append(
            "The rig's equaliser is no part of the transmitter: a file that was processed for this "
            "rig holds its effect, any other does not."
        )
    if report["input"]["nonfinite_samples"]:
        notes.append(
            f"{report['input']['nonfinite_samples']} samples were infinite or no number; "
            "they count as 0."
        )
    if report["input"]["peak_dbfs"] is None:
        notes.append("The file is silent.")
    elif report["input"]["peak_dbfs"] > 0.0:
        notes.append(
            f"The file's peak is {report['input']['peak_dbfs']:+.1f} dBFS: a sound card clips that."
        )
    return notes
