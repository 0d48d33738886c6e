"""What a listener should know beside the figures, in sentences."""

from collections.abc import Iterator, Sequence

from carrierfloor.cli.compare_versions import Rendered
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

MOST_DRIFT_SAMPLES = 2
MOST_MISSING_S = 0.1  # more is heard


def notes(phrase: str, versions: Sequence[Rendered]) -> Iterator[str]:
    """Yield the notes on the versions of a phrase; most have none."""
    for version in versions:
        for note in _on_file(version):
            yield f"{version.spec.name}: {note}"
        for note in _on_paths(version):
            yield f"{version.spec.name}: {note}"
        for note in _on_limits(version):
            yield f"{phrase}, {version.spec.name}: {note}"


def _on_file(version: Rendered) -> Iterator[str]:
    file = version.file
    if file is None:
        return
    if file.lag_samples:
        side = "late" if file.lag_samples > 0 else "early"
        seconds = abs(file.lag_samples) / SAMPLE_RATE_HZ
        yield f"the file was {seconds:.3f} s ({abs(file.lag_samples)} samples) {side}; taken out."
    missing_s = file.missing_samples / SAMPLE_RATE_HZ
    if missing_s > MOST_MISSING_S:
        yield f"the file lacks {missing_s:.1f} s of the phrase; there it is silent."
    if abs(file.drift_samples) > MOST_DRIFT_SAMPLES:
        yield (
            f"its second half lies {file.drift_samples} samples beside its first: it was recorded "
            "on another clock, and is in step only in the middle."
        )


def _on_paths(version: Rendered) -> Iterator[str]:
    if len(version.rig.paths) > 1:
        first = version.rig.paths[0].name
        yield (
            f"what is heard went through the path {first!r}; the figures at the antenna are of the "
            "worst path."
        )


def _on_limits(version: Rendered) -> Iterator[str]:
    modulation, limits = version.antenna.modulation, version.rig.modulation
    if version.level.peak > 1.0:
        yield "its peaks are over full scale; a sound card would clip them."
    if modulation.cutoffs:
        yield f"the carrier goes off {modulation.cutoffs} time{'s' * (modulation.cutoffs != 1)}."
    if 100.0 * modulation.positive_peak > limits.positive_limit_pct + 0.1:
        yield (
            f"its crests reach {100.0 * modulation.positive_peak:.0f} %, over the rig's limit of "
            f"{limits.positive_limit_pct:g} %."
        )
