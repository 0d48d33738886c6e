"""The command ``fit``: a voice file from a recording of the operator's speech."""

from pathlib import Path

import numpy as np

from carrierfloor import presets
from carrierfloor.cli import documents, fit_report, fit_view, fit_voice_file, report_file, screen
from carrierfloor.cli.fit_options import FitOptions
from carrierfloor.cli.process import refuse_overwriting
from carrierfloor.cli.recording_in import DETECTOR, RecordingIn
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.kernel import is_compiled
from carrierfloor.dsp.resampler import Resampler
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.voice_fit import fit_voice

LONGEST_S = 180.0  # all of it is in memory, and goes through the chain some fifteen times
LOWEST_PCT, HIGHEST_PCT = 3.0, 70.0  # density that may be asked for
LAST_KERNEL = "_spread"  # of dsp/modulation.py, the last that a trial compiles


def fit(options: FitOptions) -> int:
    """Fit a voice, write it and show why it is as it is.

    Raises
    ------
    CarrierfloorError
        If the recording, an option or a place for the results cannot be used; then nothing is
        written.
    """
    _check(options)
    source = options.voice or presets.DEFAULT_VOICE
    base, rig = documents.voice(source), documents.rig(options.rig)
    samples, rate_hz = _read(options.recording, options.channel)
    resampler = Resampler(rate_hz, SAMPLE_RATE_HZ)
    heard = np.concatenate([resampler.process(samples), resampler.finish()])
    if not is_compiled(LAST_KERNEL):
        screen.remarks().print("First run on this machine: compiling, this takes a while ...")
    with screen.remarks().status("Listening ...") as status:
        try:
            found = fit_voice(
                heard,
                base,
                rig,
                density=None if options.density is None else options.density / 100.0,
                as_recorded=samples,
                progress=lambda words: status.update(f"Working out {words} ..."),
            )
        except AudioError as error:
            raise AudioError(f"{options.recording}: {error}") from None
    report = fit_report.build(found, options, rig, recorded_rate_hz=rate_hz)
    if options.out is not None and not options.dry_run:
        documents.write_new(options.out, fit_voice_file.text(found, report, source))
    if options.report is not None:
        report_file.save([report], options.report)
    fit_view.show(report, screen.results())
    return 0


def _check(options: FitOptions) -> None:
    """Refuse what is wrong whatever the recording holds.

    Raises
    ------
    SettingError
        Names the option, its value and what is allowed.
    """
    if options.report is not None:
        report_file.check_path(options.report)
    density = options.density
    if density is not None and not LOWEST_PCT <= density <= HIGHEST_PCT:
        raise SettingError(
            f"--density is {density:g} %; it must be {LOWEST_PCT:g} to {HIGHEST_PCT:g} %"
        )
    if options.out is None:
        if not options.dry_run:
            raise SettingError("give --out FILE.toml for the voice, or --dry-run to only look")
        return
    if options.out.suffix.lower() != ".toml":
        raise SettingError(f"--out {options.out}: the ending must be .toml")
    refuse_overwriting(options.recording, options.out)
    documents.refuse_existing(options.out)


def _read(file: Path, channel: str) -> tuple[Block, float]:
    """Return the samples of a recording, shape (n,), and their rate.

    Raises
    ------
    CarrierfloorError
        If it cannot be read, is silent, clipped, or very long.
    """
    blocks = []
    with RecordingIn(file, DETECTOR, channel=channel, mixes_all=True) as recording:
        for block in recording.blocks():
            if recording.duration_s > LONGEST_S:
                raise AudioError(
                    f"{file}: longer than {LONGEST_S / 60.0:g} min; half a minute of speech is "
                    "enough, cut it down"
                )
            blocks.append(block)
    return np.concatenate(blocks), recording.sample_rate_hz
