"""The command ``compare``: the same phrase in several versions, to choose one by ear."""

from collections.abc import Sequence
from importlib.metadata import version as version_of
from pathlib import Path

from rich.text import Text

from carrierfloor.cli import compare_page, compare_view, screen
from carrierfloor.cli.compare_content import Content, Phrase, Track, Version
from carrierfloor.cli.compare_figures import beyond_hz_of, figures
from carrierfloor.cli.compare_notes import notes
from carrierfloor.cli.compare_spec import Spec, read_specs
from carrierfloor.cli.compare_versions import Rendered, match, read_phrase, render
from carrierfloor.cli.job import Options
from carrierfloor.cli.process import compile_first
from carrierfloor.cli.screen import QUIET
from carrierfloor.dsp.envelope_receiver import NONE, ReceiverDesign
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.loudness import Matched
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ


def compare(
    phrases: Sequence[Path],
    versions: Sequence[str],
    *,
    page: Path | None,
    rig: str | None = None,
    receiver: ReceiverDesign | None = None,
) -> int:
    """Render phrases in several versions, equally loud and in step, into a page to listen to.

    Parameters
    ----------
    phrases : sequence of Path
        Sound files.
    versions : sequence of str
        One SPEC each.
    page : Path
        Where the page goes.
    rig : str, optional
        Name or file; the rig of the versions that name none.
    receiver : ReceiverDesign, optional
        Who listens.

    Returns
    -------
    int
        Exit status.

    Raises
    ------
    CarrierfloorError
        If a phrase, a version or the page cannot be used.
    """
    if page is None:
        raise SettingError("nothing to do: give --page OUT.html")
    compare_page.check_page(page)
    specs = read_specs(versions, rig)
    if len(phrases) > 1 and any(spec.file is not None for spec in specs):
        raise SettingError("a file is one version of one phrase; give one PHRASE with it")
    compile_first(Options())
    receiver = receiver or ReceiverDesign()
    rendered = {file: _rendered(file, specs, receiver) for file in phrases}
    content = Content(
        title=f"Compare {', '.join(spec.name for spec in specs)}",
        phrases=[_phrase(file, all_) for file, all_ in rendered.items()],
        receiver=in_words(receiver),
        notes=[note for file, all_ in rendered.items() for note in notes(file, all_)],
        made_with=f"carrierfloor {version_of('carrierfloor')}",
    )
    compare_page.write_page(content, page)
    results = screen.results()
    compare_view.show(content, results)
    results.print(Text(f"Page: {page}", style=QUIET), soft_wrap=True)
    return 0


def in_words(receiver: ReceiverDesign) -> str:
    """Say how the station is received."""
    fading = "no fading" if receiver.fading == NONE else f"{receiver.fading} fading"
    return (
        f"Receiver: {receiver.bandwidth_hz / 1000:g} kHz of audio, carrier "
        f"{receiver.carrier_to_noise_db:g} dB over the noise in 10 kHz, {fading}"
    )


def _rendered(file: Path, specs: Sequence[Spec], receiver: ReceiverDesign) -> list[Rendered]:
    phrase = read_phrase(file)
    with screen.progress_bar() as bar:
        return [render(spec, phrase, receiver) for spec in bar.track(specs, description=file.name)]


def _phrase(file: Path, rendered: Sequence[Rendered]) -> Phrase:
    from carrierfloor.cli.compare_pictures import draw

    try:
        sounds = match(rendered)
    except AudioError as error:
        raise AudioError(f"{file}: {error}") from None
    beyond_hz, pictures = beyond_hz_of(rendered), draw(rendered)
    return Phrase(
        name=file.stem,
        versions=[
            Version(
                name=version.spec.name,
                spec=version.spec.text,
                tracks={point: _track(sound) for point, sound in matched.items()},
                figures=figures(version, matched, beyond_hz),
                pictures=drawn,
            )
            for version, matched, drawn in zip(rendered, sounds, pictures, strict=True)
        ],
    )


def _track(sound: Matched) -> Track:
    return Track(
        samples=sound.samples,
        rate_hz=round(SAMPLE_RATE_HZ),
        lu=sound.lufs,
        gain_db=sound.gain_db,
    )
