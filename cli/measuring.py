"""From captures of a sweep to what is to be written into the rig file."""

from collections.abc import Sequence
from dataclasses import dataclass

from carrierfloor.cli.rig_file import RigFile
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.path import Path as AudioPath
from carrierfloor.dsp.path_fit import PathFit, fit_path
from carrierfloor.dsp.path_margin import PathMargin, path_margin
from carrierfloor.dsp.regrowth import Regrowth, regrowth
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.sweep_recognition import KnownSweep
from carrierfloor.dsp.sweep_response import Detector, SweepResponse, measure_response

NORMAL, INVERTED = "normal", "inverted"
MARGINS = ("negative_margin_pct", "positive_margin_pct")
NEW_PATH = "measured"  # name of a path, where neither the user nor the rig has one


@dataclass(frozen=True, kw_only=True)
class Capture:
    """A recording of the sweep at the detector."""

    source: str  # file or device
    channel: str
    samples: Block  # shape (n,), 1.0 = full scale
    rate_hz: int


@dataclass(frozen=True, kw_only=True)
class Setting:
    """What all captures have in common."""

    sweep: KnownSweep
    sweep_source: str  # file, or "played"
    depth: float  # modulation of the sweep at 1 kHz, 1.0 = 100 %
    detector: Detector | None
    detector_source: str  # file; empty: none
    detector_polarity: str | None  # normal, inverted, or None: nobody knows


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A path that was measured."""

    capture: Capture
    response: SweepResponse
    fit: PathFit
    margin: PathMargin
    regrowth: Regrowth  # what a limiter that does not know the path would make there


def measured(capture: Capture, name: str, setting: Setting, rig: Rig) -> Measured:
    """Work out a path.

    Parameters
    ----------
    capture : Capture
        Of the sweep.
    name : str
        Of the path.
    setting : Setting
        What was played, and how it was heard.
    rig : Rig
        For its limits.

    Raises
    ------
    CarrierfloorError
        Names the capture and what is wrong with it.
    """
    limits = rig.modulation
    try:
        response = measure_response(
            capture.samples, capture.rate_hz, setting.sweep, setting.detector
        )
        fit = fit_path(response, name)
        margin = path_margin(
            fit, response, limits, setting.depth, capture_polarity=setting.detector_polarity
        )
    except AudioError as error:
        raise AudioError(f"{capture.source}: {error}") from None
    except SettingError as error:
        raise SettingError(f"{capture.source}: {error}") from None
    regrown = regrowth(
        fit.path, limits.negative_limit_pct / 100.0, limits.positive_limit_pct / 100.0
    )
    return Measured(capture=capture, response=response, fit=fit, margin=margin, regrowth=regrown)


def path_names(given: Sequence[str], sources: Sequence[str], rig: Rig) -> list[str]:
    """Return the names of the paths that captures are of.

    One capture is of the rig's only path, if the user does not say; several go by their sources.

    Raises
    ------
    SettingError
        If it is not clear, or a name is empty or given twice.
    """
    if not all(name.strip() for name in given):
        raise SettingError("--path is empty; give the path a name")
    names = list(given)
    if not names and len(sources) > 1:
        names = list(sources)
    elif not names:
        names = [path.name for path in rig.paths] or [NEW_PATH]
        if len(names) > 1:
            raise SettingError(
                f"the rig has {len(names)} paths ({', '.join(names)}); say with --path NAME which "
                "one this is, or give a new name to add one"
            )
    if len(names) != len(sources):
        captures = "1 capture" if len(sources) == 1 else f"{len(sources)} captures"
        raise SettingError(f"{len(names)} --path for {captures}; give one for each, in their order")
    for name in names:
        if names.count(name) > 1:
            raise SettingError(f"two captures are named {name!r}; give each a --path of its own")
    return names


def check_places(file: RigFile, names: Sequence[str]) -> None:
    """Refuse a rig file that could not take what will be measured, before that takes its time.

    Parameters
    ----------
    file : RigFile
        Open, and of no use afterwards.
    names : sequence of str
        Of the paths.

    Raises
    ------
    SettingError
        Says why it cannot be changed.
    """
    for name in names:
        file.set_path(AudioPath(name=name))
    for key in MARGINS:
        file.set("modulation", key, 0.1)
    file.check()


def rig_polarity(paths: Sequence[Measured], setting: Setting) -> str | None:
    """Return the transmitter's polarity: the captures' without the detector's; None: unknown."""
    found = {path.fit.polarity for path in paths}
    if setting.detector_polarity is None or len(found) > 1:
        return None
    return NORMAL if setting.detector_polarity in found else INVERTED


def apply(file: RigFile, paths: Sequence[Measured], setting: Setting) -> None:
    """Change an open rig file to what was measured.

    Raises
    ------
    CarrierfloorError
        If the rig would not be allowed.
    """
    for path in paths:
        file.set_path(path.fit.path)
    for key, value in new_margins(file.rig, paths).items():
        file.set("modulation", key, value)
    polarity = rig_polarity(paths, setting)
    if polarity is not None:
        file.set("level", "polarity", polarity)


def new_margins(rig: Rig, paths: Sequence[Measured]) -> dict[str, float]:
    """Return the margins for all paths of a rig together.

    That of a path which was measured another day is in the file; it may not shrink.
    """
    names = {path.fit.path.name for path in paths}
    others = [path for path in rig.paths if path.name not in names]
    found: dict[str, float] = {}
    for key in MARGINS:
        before: float = getattr(rig.modulation, key) if others else 0.0
        found[key] = max(before, *(getattr(path.margin, key) for path in paths))
    return found
