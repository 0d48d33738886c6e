"""The command ``tone``: test signals into the transmitter's audio input."""

from pathlib import Path
from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import report_file, screen, tone_signal
from carrierfloor.cli.audio_out import (
    DEFAULT_SAMPLES,
    AudioOut,
    container_of,
    sample_format,
    wide_enough,
)
from carrierfloor.cli.report import Report
from carrierfloor.cli.sound_devices import OUTPUT, Device, check_output, choose, columns
from carrierfloor.cli.tone_signal import Tone, Wanted
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.sample_format import Quantiser, SampleFormat

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8000, 192_000
QUIET = "dim"
CAUTION = (
    "Caution: a test signal is not for the air. Connect the transmitter to a dummy",
    "load before you key it, and watch it: a steady tone heats more than speech.",
)


def tone(
    wanted: Wanted,
    *,
    out: Path | None = None,
    sample_type: str | None = None,
    output: str | None = None,
    channel: str = "both",
    save_report: Path | None = None,
) -> int:
    """Write a test signal, play it, or both.

    Parameters
    ----------
    wanted : Wanted
        The signal.
    out : Path, optional
        A .wav or .flac file.
    sample_type : str, optional
        libsndfile's name of the file's sample type.
    output : str, optional
        The sound device.
    channel : str
        Of the device: ``both``, ``left``, ``right`` or a number.
    save_report : Path, optional
        Where a .json report goes.

    Returns
    -------
    int
        Exit status.

    Raises
    ------
    CarrierfloorError
        If an option, the file or the device cannot be used.
    """
    _check(wanted, out, output, save_report)
    stored_as = SampleFormat(name="FLOAT")  # what a device gets
    if out is not None:
        stored_as = sample_format(container_of(out), sample_type, DEFAULT_SAMPLES)
    built = tone_signal.build(wanted, stored_as.largest_error)
    device = None
    if output is not None:
        device = choose(output, OUTPUT)
        opened, used = columns(device, OUTPUT, channel)
        check_output(device, opened, wanted.rate_hz)
    screen.remarks().print("\n".join(CAUTION), style="bold yellow")
    found = tone_signal.report(built)
    screen.results().print(_shown(found))
    if out is not None:
        _write(built, out, stored_as)
        screen.results().print(Text(f"Written: {out}", style=QUIET), soft_wrap=True)
    if save_report is not None:
        report_file.save([found], save_report)
    if device is not None:
        _play(built, device, opened, used)
    return 0


def _check(wanted: Wanted, out: Path | None, output: str | None, save_report: Path | None) -> None:
    if out is None and output is None:
        raise SettingError("nothing to do: give --out FILE, --output DEVICE, or both")
    if out is not None and wanted.endless:
        raise SettingError("--endless goes with --output only; a file has an end")
    if out is not None and out.is_dir():
        raise SettingError(f"--out {out} is a folder; name a file")
    if out is not None and not out.parent.is_dir():
        raise SettingError(f"--out {out}: there is no folder {out.parent}")
    if not LOWEST_RATE_HZ <= wanted.rate_hz <= HIGHEST_RATE_HZ:
        raise SettingError(
            f"--rate is {wanted.rate_hz} Hz; it must be {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
        )
    if save_report is not None:
        if save_report.suffix.lower() != ".json":
            raise SettingError(f"--report {save_report}: the ending must be .json")
        report_file.check_path(save_report)


def _write(built: Tone, out: Path, stored_as: SampleFormat) -> None:
    quantiser, frames = Quantiser(stored_as), built.signal.samples or 0
    container = wide_enough(container_of(out), stored_as, frames)
    with (
        screen.progress_bar() as bar,
        AudioOut(
            out,
            container=container,
            sample_type=stored_as,
            sample_rate_hz=built.wanted.rate_hz,
        ) as file,
    ):
        task = bar.add_task(out.name, total=frames)
        for block in built.signal.blocks():
            file.write(quantiser.process(block))
            bar.advance(task, len(block))
        file.commit()


def _play(built: Tone, device: Device, opened: int, used: list[int]) -> None:
    from carrierfloor.cli.player import Player

    player = Player(
        device,
        built.signal,
        sample_rate_hz=built.wanted.rate_hz,
        channels=opened,
        columns=used,
    )
    remarks = screen.remarks()
    remarks.print(Text(f"Playing on {device}; Ctrl-C ramps down.", style=QUIET))
    with screen.progress_bar() as bar:
        task = bar.add_task("", total=built.signal.samples)
        try:
            player.play(lambda at: bar.update(task, completed=at, description=_now(built, at)))
        except KeyboardInterrupt:
            seconds = max(0, player.position) / built.wanted.rate_hz
            remarks.print(Text(f"Ramped down after {seconds:.1f} s.", style=QUIET))
            raise
    if player.gaps:
        remarks.print(
            Text(f"Note: the device ran dry {player.gaps} times: the signal has gaps.", "yellow")
        )


def _now(built: Tone, position: int) -> str:
    """Say what is being played at this moment."""
    if built.wanted.kind != "staircase":
        return f"{max(0, position) / built.wanted.rate_hz:.0f} s"
    return f"{_level(built.levels[built.step_at(position)], built.rig is not None)}"


def _level(level: float, with_rig: bool) -> str:
    return f"{level:.1f} % modulation" if with_rig else f"{level:.1f} dBFS"


def _shown(found: Report) -> Group:
    """Lay out a report for the screen."""
    table = Table.grid(padding=(0, 2))
    table.add_column(style=QUIET, no_wrap=True)
    table.add_column()
    for subject, words in _lines(found):
        table.add_row(subject, words)
    parts: list[Any] = [Text(f"{found['kind']}, {_frequencies(found)}", style="bold"), table]
    if "steps" in found:
        parts += [Text(), _steps(found["steps"])]
    return Group(*parts)


def _frequencies(found: Report) -> str:
    if "frequencies_hz" in found:
        return " and ".join(f"{hz:g}" for hz in found["frequencies_hz"]) + " Hz"
    return f"{found['lowest_hz']:g} to {found['highest_hz']:g} Hz"


def _lines(found: Report) -> list[tuple[str, str]]:
    duration_s = found["duration_s"]
    length = "until Ctrl-C" if duration_s is None else f"{duration_s:g} s"
    peak = f"{found['peak_dbfs']:.1f} dBFS"
    if "steps" in found:
        peak = f"{peak} in the highest step"
    if found["kind"] == "two-tone":
        peak = f"{peak}, each tone 6 dB less"
    if "rms_below_peak_db" in found:
        peak = f"{peak}, rms {found['peak_dbfs'] - found['rms_below_peak_db']:.1f} dBFS"
    lines = [("Peak", peak)]
    if "rig" in found:
        at_1_khz, antenna = found["modulation_pct"], found["antenna_pct"]
        lines.append(("Rig", f"{found['rig']['name']}, polarity {found['rig']['polarity']}"))
        lines.append(
            ("Modulation", f"{at_1_khz:.1f} % at 1 kHz; highest at the antenna {antenna:.1f} %")
        )
    if "time_constant_s" in found:
        lines.append(("Pace", f"e times the frequency every {found['time_constant_s']:.5f} s"))
    lines.append(
        (
            "Length",
            f"{length} at {found['sample_rate_hz']} Hz, with ramps of {found['ramp_ms']:g} ms",
        )
    )
    return lines


def _steps(steps: list[dict[str, float]]) -> Table:
    from rich import box

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    titles = ["Step", "Begins", "Peak"] + ["Modulation"] * ("modulation_pct" in steps[0])
    for title in titles:
        table.add_column(title, justify="right")
    if "uneven" in steps[0]:
        table.add_column()
    for number, step in enumerate(steps, 1):
        row = [str(number), f"{step['begins_s']:.3f} s", f"{step['level_dbfs']:.2f} dBFS"]
        if "modulation_pct" in step:
            row.append(f"{step['modulation_pct']:.1f} %")
        if step.get("uneven"):
            row.append("tells the polarity")
        table.add_row(*row)
    return table
