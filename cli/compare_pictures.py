"""Two small pictures of each version, all of a phrase on the same axes: trapezoid and spectrum."""

import io
from collections.abc import Callable, Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from carrierfloor.cli.compare_versions import Rendered
from carrierfloor.cli.pictures import style
from carrierfloor.cli.plots import BLUE, spectrum_plot, trapezoid_plot

SIZE_INCHES, DOTS_AN_INCH = (3.1, 2.5), 200  # four stand side by side: the words must be large
AXES = (0.235, 0.2, 0.735, 0.69)  # left, bottom, width, height: the same place in every picture
SHALLOWEST_PCT, LOWEST_CREST_PCT = -110.0, 135.0  # what the trapezoids show at least


def draw(versions: Sequence[Rendered]) -> list[dict[str, bytes]]:
    """Draw all versions of one phrase.

    Returns
    -------
    list of dict
        For each version PNG files with a transparent background, ``trapezoid`` and ``spectrum``.
    """
    deepest = max(version.antenna.modulation.negative_peak for version in versions)
    highest = max(version.antenna.modulation.positive_peak for version in versions)
    low = min(SHALLOWEST_PCT, -100.0 * deepest - 10.0)
    high = max(LOWEST_CREST_PCT, 100.0 * highest + 10.0)

    def trapezoid(version: Rendered, ax: Axes) -> None:
        trapezoid_plot(version.antenna.modulation, version.rig.modulation, ax=ax)
        top = 1.0 + high / 100.0
        ax.set(xlim=(low, high), ylim=(-top, top), xticks=(-100, 0, 100))
        ax.set_ylabel("Envelope, carrier = 1")

    def spectrum(version: Rendered, ax: Axes) -> None:
        emission = version.antenna.emission
        spectrum_plot(emission, ax=ax, label="", color=BLUE)
        ax.set(xticks=(-20, -10, 0, 10, 20), yticks=(-120, -80, -40, 0))
        ax.set(xlabel="From the carrier (kHz)", ylabel=f"dBc in {emission.offset_hz[1]:.1f} Hz")
        for line, what in zip(ax.lines, ("mean", "worst 85 ms"), strict=True):
            line.set_label(what)
        ax.figure.legend(loc="upper right", ncols=2)

    return [
        {
            "trapezoid": _picture(version, trapezoid),
            "spectrum": _picture(version, spectrum),
        }
        for version in versions
    ]


def _picture(version: Rendered, plot: Callable[[Rendered, Axes], None]) -> bytes:
    with style():
        figure = Figure(figsize=SIZE_INCHES)
        plot(version, figure.add_axes(AXES))
        data = io.BytesIO()
        figure.savefig(data, format="png", dpi=DOTS_AN_INCH)
    return data.getvalue()
