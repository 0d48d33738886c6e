"""Measuring live: the sweep goes to the exciter while the detector is recorded."""

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.audio_out import AudioOut
from carrierfloor.cli.duplex import Duplex
from carrierfloor.cli.measure import (
    MeasureOptions,
    check,
    depth_of,
    finish,
    read_reference,
    read_sections,
    worked_out,
)
from carrierfloor.cli.measuring import Capture, Setting, check_places, path_names
from carrierfloor.cli.report import Report
from carrierfloor.cli.rig_file import RigFile
from carrierfloor.cli.screen import NOTE, QUIET
from carrierfloor.cli.sound_devices import INPUT, OUTPUT, check_output, choose
from carrierfloor.cli.tone import CAUTION, HIGHEST_RATE_HZ
from carrierfloor.cli.whole_file import check_folder
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.sample_format import Quantiser, SampleFormat
from carrierfloor.dsp.signal_level import check_antenna, level_dbfs, peak_of
from carrierfloor.dsp.signals import Sweep
from carrierfloor.dsp.sweep_recognition import KnownSweep
from carrierfloor.dsp.sweep_refusals import LEAST_SIGNAL_TO_NOISE_DB
from carrierfloor.dsp.sweep_response import measure_response

DEPTH_PCT = 50.0
STEPS = (0.25, 0.5, 1.0)  # of the depth, a short sweep each
STEP_S, SHORTEST_S, LONGEST_S = 2.0, 2.0, 120.0
LOWEST_HZ, HIGHEST_HZ, RAMP_S = 20.0, 10_000.0, 0.05
SLOWEST_RATE_HZ = 12_000  # whose sweep still reaches 5 kHz
STEADY_DB = 0.3  # a gain that changes by more from step to step is worth a word
KEPT_AS = SampleFormat(name="FLOAT")


@dataclass(frozen=True, kw_only=True)
class Step:
    """What a short sweep on the way up told."""

    depth_pct: float
    gain_db: float
    signal_to_noise_db: float


def measure_live(options: MeasureOptions) -> int:
    """Play a sweep, record it, measure the path and update the rig file.

    Raises
    ------
    CarrierfloorError
        If an option, a device or what is heard cannot be used; then the rig file is as it was.
    """
    _check(options)
    rig_file = RigFile(options.rig)
    rig = rig_file.rig
    (name,) = path_names(options.paths, ["live"], rig)
    check_places(rig_file, [name])
    sweep = _sweep(options, rig, 1.0, options.seconds)
    steps = [_sweep(options, rig, share, STEP_S) for share in STEPS]
    output = choose(str(options.output), OUTPUT)
    source = choose(str(options.input), INPUT)
    duplex = Duplex(output, source, options.rate, options.output_channel, options.channel)
    check_output(output, duplex.output_channels, options.rate)
    setting = Setting(
        sweep=sweep,
        sweep_source=f"a sweep on {output}",
        depth=depth_of(options, sweep, rig),
        detector=read_sections(options.detector) or read_reference(options, sweep),
        detector_source=str(options.detector or options.detector_capture or ""),
        detector_polarity=options.detector_polarity,
    )
    _ask(options, setting, str(output))
    taker = _Taker(duplex, str(source), options)
    risen = [taker.step(one, setting, share) for one, share in zip(steps, STEPS, strict=True)]
    _show_steps(risen)
    capture = taker.take(sweep, 100.0 * setting.depth)
    kept = taker.keep(sweep, capture)
    path = worked_out(capture, name, setting, rig)
    finish(options, [path], setting, live=_report(risen, kept))
    return 0


def _check(options: MeasureOptions) -> None:
    if options.output is None or options.input is None:
        raise SettingError("a live measurement needs both --output DEVICE and --input DEVICE")
    if options.files:
        raise SettingError("give the files SWEEP and CAPTURE, or --output and --input, not both")
    check(options)
    if not SLOWEST_RATE_HZ <= options.rate <= HIGHEST_RATE_HZ:
        raise SettingError(
            f"--rate is {options.rate} Hz; it must be {SLOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
        )
    if not SHORTEST_S <= options.seconds <= LONGEST_S:
        raise SettingError(
            f"--seconds is {options.seconds:g} s; it must be {SHORTEST_S:g} to {LONGEST_S:g} s"
        )
    if options.keep is not None:
        check_folder("--keep", options.keep)
    if not options.yes and not sys.stdin.isatty():
        raise SettingError(
            "the sweep makes the transmitter radiate, and there is no terminal to ask on; give "
            "--yes if it is on a dummy load"
        )


def _sweep(options: MeasureOptions, rig: Rig, share: float, seconds: float) -> KnownSweep:
    """Return a sweep that makes a share of the depth; the rig's limits hold it back."""
    sweep = Sweep(
        lowest_hz=LOWEST_HZ,
        highest_hz=min(HIGHEST_HZ, 0.45 * options.rate),
        duration_s=seconds,
        sample_rate_hz=options.rate,
    )
    if options.level is not None:
        peak = share * peak_of(options.level, None)
    else:
        peak = _peak(share * (options.depth or DEPTH_PCT), rig, sweep)
    return KnownSweep(sweep=sweep, peak=peak, ramp_samples=round(RAMP_S * options.rate))


def _peak(depth_pct: float, rig: Rig, sweep: Sweep) -> float:
    try:
        peak = peak_of(depth_pct, rig)
        check_antenna(sweep, peak, rig)
    except SettingError as error:
        raise SettingError(f"--depth: {error}") from None
    return peak


def _ask(options: MeasureOptions, setting: Setting, output: str) -> None:
    """Say what is going to happen, and go on only if the user agrees."""
    remarks = screen.remarks()
    remarks.print("\n".join(CAUTION), style="bold yellow")
    depth_pct = 100.0 * setting.depth
    first_pct = depth_pct * STEPS[0]
    how = (
        "as the rig file knows the level;\nwhere that is not even roughly right, give --level DBFS"
        if options.level is None
        else "if the level in the rig file is right"
    )
    remarks.print(
        f"Sweeps go to {output}, {LOWEST_HZ:g} to {setting.sweep.sweep.highest_hz:g} Hz, up to "
        f"{level_dbfs(setting.sweep.peak):.1f} dBFS.\nThey rise from {first_pct:.3g} to "
        f"{depth_pct:.3g} % modulation, {how}."
    )
    if options.keep is not None:
        options.keep.mkdir(parents=True, exist_ok=True)  # nobody wants to hear afterwards
    if options.yes:
        return
    remarks.print("Key the transmitter into the dummy load. Send them now? [y/N] ", end="")
    try:
        answer = input()
    except EOFError:
        answer = ""
    if answer.strip().casefold() not in ("y", "yes"):
        raise SettingError("nothing was sent")


class _Taker:
    """Plays sweeps and records them."""

    def __init__(self, duplex: Duplex, source: str, options: MeasureOptions) -> None:
        self._duplex, self._source, self._options = duplex, source, options
        self._stamp = datetime.now().strftime("%Y-%m-%d-%H%M%S")

    def take(self, sweep: KnownSweep, depth_pct: float) -> Capture:
        """Play a sweep and return what was heard."""
        with screen.progress_bar() as bar:
            task = bar.add_task(f"{depth_pct:.3g} %", total=sweep.sweep.samples)
            samples = self._duplex.take(
                sweep.played, lambda at: bar.update(task, completed=max(0, at))
            )
        return Capture(
            source=self._source,
            channel=self._options.channel,
            samples=samples,
            rate_hz=self._options.rate,
        )

    def step(self, sweep: KnownSweep, setting: Setting, share: float) -> Step:
        """Play a short sweep on the way up; refuse to go on if it does not come back well."""
        depth_pct = 100.0 * share * setting.depth
        capture = self.take(sweep, depth_pct)
        try:
            found = measure_response(
                capture.samples,
                capture.rate_hz,
                sweep,
                setting.detector,
                # What is quiet now still grows to the whole depth.
                least_signal_to_noise_db=LEAST_SIGNAL_TO_NOISE_DB + decibels(share),
            )
        except AudioError as error:
            self.keep(sweep, capture)
            raise AudioError(f"{self._source}, at {depth_pct:.3g} %: {error}") from None
        return Step(
            depth_pct=depth_pct,
            gain_db=decibels(found.gain),
            signal_to_noise_db=found.signal_to_noise_db,
        )

    def keep(self, sweep: KnownSweep, capture: Capture) -> list[Path]:
        """Keep a sweep and its capture as files, if the user wants that."""
        folder = self._options.keep
        if folder is None:
            return []
        kept = []
        for what, blocks in (("sweep", sweep.played.blocks()), ("capture", [capture.samples])):
            file = folder / f"{self._stamp}-{what}.wav"
            with AudioOut(
                file, container="WAV", sample_type=KEPT_AS, sample_rate_hz=capture.rate_hz
            ) as out:
                quantiser = Quantiser(KEPT_AS)
                for block in blocks:
                    out.write(quantiser.process(block))
                out.commit()
            screen.remarks().print(Text(f"Kept: {file}", style=QUIET))
            kept.append(file)
        return kept


def _show_steps(steps: Sequence[Step]) -> None:
    remarks = screen.remarks()
    for step in steps:
        gain_db = round(step.gain_db, 2) + 0.0  # no -0.00
        words = f"At {step.depth_pct:.3g} %: gain {gain_db:+.2f} dB, signal to noise "
        remarks.print(Text(f"{words}{step.signal_to_noise_db:.0f} dB", style=QUIET))
    change_db = steps[-1].gain_db - steps[0].gain_db
    if abs(change_db) > STEADY_DB:
        remarks.print(
            Text(
                f"Note: the gain changes by {change_db:+.1f} dB from {steps[0].depth_pct:.3g} to "
                f"{steps[-1].depth_pct:.3g} %: something compresses or expands (the modulator, a "
                "receiver's automatic gain, the detector's knee). Find it before you trust this.",
                style=NOTE,
            )
        )


def _report(steps: Sequence[Step], kept: Sequence[Path]) -> Report:
    return {
        "steps": {f"step_{number}": vars(step) for number, step in enumerate(steps, 1)},
        "kept": [str(file) for file in kept],
    }
