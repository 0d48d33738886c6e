"""One HTML file that holds everything to compare versions by ear: no network, nothing to install.

The page is cli/page/page.html with its style and scripts put in.  Sound is stored as FLAC with 16
bits and dither, which every browser decodes to the sample, in one script element a track.
"""

import base64
import html
import io
import json
import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import soundfile as sf

from carrierfloor.cli.compare_content import Content, Figure, Track, Version
from carrierfloor.cli.whole_file import beside, check_place
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.sample_format import Quantiser, SampleFormat

ENDINGS = (".html", ".htm")
STORED_AS = SampleFormat(name="PCM_16")
SMALLEST = 1.0  # of libsndfile's levels: 5 % less than by default, for 0.1 s a minute
POINT_WORDS = {
    "card": "At the sound card",
    "antenna": "At the antenna",
    "receiver": "In the receiver",
}
# In the order in which they run: each builds on those before it.
SCRIPTS = (
    "elements.js",
    "random.js",
    "statistics.js",
    "fade.js",
    "group.js",
    "player.js",
    "sounds.js",
    "waveform.js",
    "deck.js",
    "keyboard.js",
    "results.js",
    "choices.js",
    "versions.js",
    "listen.js",
    "blind_test.js",
    "blind_test_view.js",
    "ranking.js",
    "ranking_view.js",
    "main.js",
)


def write_page(content: Content, file: Path) -> None:
    """Save the page, whole or not at all.

    Parameters
    ----------
    content : Content
        What it shows and plays.
    file : Path
        Where; a file that is there is replaced.

    Raises
    ------
    SettingError
        If the file cannot be written.
    """
    try:
        with beside(file) as part:
            part.write_text(page(content), encoding="utf-8", newline="\n")
    except OSError as error:
        raise SettingError(f"--page {file}: {error.strerror}") from None


def check_page(file: Path) -> None:
    """Refuse, before any work, a page that could not be saved.

    Raises
    ------
    SettingError
        If its ending is not .html or its folder cannot be written to.
    """
    check_place("--page", file, ENDINGS)


def page(content: Content) -> str:
    """Return the text of the page."""
    parts = {
        "title": html.escape(content.title),
        "style": _file("style.css"),
        "content": "\n".join(_content(content)),
        "scripts": "\n".join(f"<script>\n{_file(name)}</script>" for name in SCRIPTS),
    }
    return re.sub(r"\{\{(\w+)\}\}", lambda mark: parts[mark[1]], _file("page.html"))


def _file(name: str) -> str:
    return (resources.files("carrierfloor.cli") / "page" / name).read_text("utf-8")


def _content(content: Content) -> Iterator[str]:
    words = {
        "title": content.title,
        "receiver": content.receiver,
        "notes": list(content.notes),
        "made_with": content.made_with,
        "points": [{"key": point, "words": POINT_WORDS[point]} for point in content.points],
        "phrases": [
            {"name": phrase.name, "versions": [_version(version) for version in phrase.versions]}
            for phrase in content.phrases
        ],
    }
    yield f'<script type="application/json" id="content">{script_json(words)}</script>'
    for number, phrase in enumerate(content.phrases):
        for place, version in enumerate(phrase.versions):
            for point in content.points:
                yield (
                    f'<script type="text/plain" id="sound-{number}-{place}-{point}">'
                    f"{_base64(flac(version.tracks[point]))}</script>"
                )


def script_json(words: Any) -> str:
    """Return JSON that cannot end the script element it stands in."""
    return json.dumps(words, ensure_ascii=False, allow_nan=False).replace("<", "\\u003c")


def _version(version: Version) -> dict[str, Any]:
    return {
        "name": version.name,
        "spec": version.spec,
        "levels": {
            point: {"lufs": round(track.lu, 3), "gain_db": round(track.gain_db, 3)}
            for point, track in version.tracks.items()
        },
        "figures": {
            point: [_figure(figure) for figure in figures]
            for point, figures in version.figures.items()
        },
        "pictures": [
            {"name": name, "url": _data_url(picture)} for name, picture in version.pictures.items()
        ],
    }


def _figure(figure: Figure) -> dict[str, str]:
    return {
        "name": figure.name,
        "value": figure.value,
        "unit": figure.unit,
        "help": figure.help,
    }


def _data_url(picture: bytes) -> str:
    kind = "png" if picture.startswith(b"\x89PNG") else "svg+xml"
    return f"data:image/{kind};base64,{_base64(picture)}"


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def flac(track: Track) -> bytes:
    """Return the track as a FLAC file of 16 bits, with triangular dither.

    Raises
    ------
    ValueError
        If a sample is beyond full scale: matching only ever turns down.
    """
    quantiser = Quantiser(STORED_AS)
    stored = quantiser.process(track.samples.astype("float64"))
    if quantiser.clipped_samples:
        raise ValueError(f"{quantiser.clipped_samples} samples are beyond full scale")
    data = io.BytesIO()
    sf.write(data, stored, track.rate_hz, STORED_AS.name, format="FLAC", compression_level=SMALLEST)
    return data.getvalue()
