"""The command ``compare``: the same phrase in several versions, to choose one by ear."""

from collections.abc import Sequence
from importlib.metadata import version as version_of
from pathlib import Path

from rich.text import Text

from carrierfloor.cli import compare_page, compare_play, compare_view, screen
from carrierfloor.cli.compare_content import Content, Phrase, Version
from carrierfloor.cli.compare_figures import beyond_hz_of, figures
from carrierfloor.cli.compare_notes import notes
from carrierfloor.cli.compare_spec import Spec, read_specs
from carrierfloor.cli.compare_versions import Rendered, Sounds, match, read_phrases, render
from carrierfloor.cli.job import Options
from carrierfloor.cli.process import compile_first
from carrierfloor.cli.screen import QUIET
from carrierfloor.dsp.envelope_receiver import NONE, ReceiverDesign
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.stage import Block

LONGEST_TITLE = 80  # characters: two lines on a telephone


def compare(
    phrases: Sequence[Path],
    versions: Sequence[str],
    receiver: ReceiverDesign,
    *,
    rig: str | None = None,
    page: Path | None = None,
    play: bool = False,
    output: str | None = None,
) -> int:
    """Render phrases in several versions, equally loud and in step, to be listened to.

    Parameters
    ----------
    phrases : sequence of Path
        Sound files.
    versions : sequence of str
        One SPEC each.
    receiver : ReceiverDesign
        Who listens.
    rig : str, optional
        Name or file; the rig of the versions that name none.
    page : Path, optional
        Where a page goes that plays them.
    play : bool
        Whether to play them here.
    output : str, optional
        On which sound device; the system's default one.

    Returns
    -------
    int
        Exit status.

    Raises
    ------
    CarrierfloorError
        If a phrase, a version or the page cannot be used.
    """
    if page is None and not play:
        raise SettingError("nothing to do: give --page OUT.html, --play, or both")
    if output is not None and not play:
        raise SettingError(f"--output {output} goes with --play")
    if page is not None:
        compare_page.check_page(page)
    specs = read_specs(versions, rig)
    device = compare_play.output_device(output or "default") if play else None
    found = rendered_content(phrases, specs, receiver)
    if page is not None:  # before anything is printed: whoever reads that may have enough of it
        compare_page.write_page(found, page)
    results = screen.results()
    compare_view.show(found, results)
    if page is not None:
        results.print(Text(f"Page: {page}", style=QUIET), soft_wrap=True)
    if device is not None:
        compare_play.play(found, device)
    return 0


def rendered_content(
    phrases: Sequence[Path], specs: Sequence[Spec], receiver: ReceiverDesign
) -> Content:
    """Render all versions of all phrases.

    Raises
    ------
    CarrierfloorError
        If a phrase or a version cannot be used.
    """
    names = _names(phrases)
    if len(phrases) > 1 and any(spec.file is not None for spec in specs):
        raise SettingError("a file is one version of one phrase; give one PHRASE with it")
    compile_first(Options())
    parts: list[Phrase] = []
    said: list[str] = []
    spoken = read_phrases(phrases)
    for file, name, phrase in zip(phrases, names, spoken, strict=True):
        try:
            rendered, sounds = _rendered(name, phrase, specs, receiver)
            parts.append(_phrase(name, rendered, sounds))
        except AudioError as error:
            raise AudioError(f"{file}: {error}") from None
        said += [note for note in notes(name, rendered) if note not in said]
    return Content(
        title=f"Compare {_in_short([spec.name for spec in specs])}",
        phrases=parts,
        receiver=in_words(receiver),
        notes=said,
        made_with=f"carrierfloor {version_of('carrierfloor')}",
    )


def in_words(receiver: ReceiverDesign) -> str:
    """Say how the station is received."""
    fading = "no fading" if receiver.fading == NONE else f"{receiver.fading} fading"
    return (
        f"Receiver: {receiver.bandwidth_hz / 1000:g} kHz of audio, carrier "
        f"{receiver.carrier_to_noise_db:g} dB over the noise in 10 kHz, {fading}"
    )


def _in_short(names: Sequence[str]) -> str:
    words = ", ".join(names)
    return words if len(words) <= LONGEST_TITLE else f"{len(names)} versions"


def _names(phrases: Sequence[Path]) -> list[str]:
    """Name phrases after their files; two of the same name are called by their whole path."""
    stems = [file.stem for file in phrases]
    names = [
        stem if stems.count(stem) == 1 else str(file)
        for file, stem in zip(phrases, stems, strict=True)
    ]
    for name in names:
        if names.count(name) > 1:
            raise SettingError(f"{name} is given twice as a phrase")
    return names


def _rendered(
    name: str, phrase: Block, specs: Sequence[Spec], receiver: ReceiverDesign
) -> tuple[list[Rendered], list[Sounds]]:
    with screen.progress_bar() as bar:
        both = [render(spec, phrase, receiver) for spec in bar.track(specs, description=name)]
    return [rendered for rendered, _ in both], [sounds for _, sounds in both]


def _phrase(name: str, rendered: Sequence[Rendered], sounds: Sequence[Sounds]) -> Phrase:
    from carrierfloor.cli.compare_pictures import draw

    matched, beyond_hz, pictures = match(sounds), beyond_hz_of(rendered), draw(rendered)
    return Phrase(
        name=name,
        versions=[
            Version(
                name=version.spec.name,
                spec=version.spec.text,
                tracks=tracks,
                figures=figures(version, tracks, beyond_hz),
                pictures=drawn,
            )
            for version, tracks, drawn in zip(rendered, matched, pictures, strict=True)
        ],
    )
