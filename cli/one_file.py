"""One file from its input to its report, pictures included."""

from pathlib import Path

from carrierfloor.cli import report
from carrierfloor.cli.job import Options, Progress, process_file
from carrierfloor.cli.report import Report


def complete(
    source: Path, target: Path, options: Options, pictures: Path | None, progress: Progress
) -> Report:
    """Process one file, draw it if asked, and return its report.

    Parameters
    ----------
    source, target : Path
        Input and output.
    options : Options
        How.
    pictures : Path, optional
        Folder for the pictures.
    progress : callable
        Gets the part that is done.

    Raises
    ------
    CarrierfloorError
        If the input, the options or an output cannot be used.
    """
    outcome = process_file(source, target, options, progress)
    found = report.build(outcome)
    if pictures is not None:
        from carrierfloor.cli.before_after import draw

        density = report.density(outcome.sent.antenna.paths)
        found["pictures"] = [str(path) for path in draw(outcome, pictures, density)]
    return found
