"""Material for the page of ``compare``: a phrase spoken by a person, in simple versions."""

from dataclasses import replace
from functools import cache

import numpy as np
from scipy import signal

from carrierfloor.cli.compare_content import Content, Figure, Phrase, Track, Version
from carrierfloor.dsp.loudness import matched
from tests.clips import Array, sound

RATE_HZ = 48_000
GAINS = {"Plain": 1.0, "Warm": 2.5, "Dense": 6.0, "Hard </script><b>hit</b>": 20.0}
PICTURE = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="50" height="40"><path d="M5 5L45 35"/></svg>'
)
POINTS = ("card", "antenna", "receiver")


def renderings(speech: Array, versions: int) -> dict[str, list[Array]]:
    """Return the versions, ever harder clipped, at each listening point; not matched yet."""
    loud = speech / np.max(np.abs(speech))
    clipped = [np.clip(gain * loud, -0.5, 0.5) for gain in list(GAINS.values())[:versions]]
    antenna = signal.butter(4, 6000.0, fs=RATE_HZ, output="sos")
    receiver = signal.butter(4, 4000.0, fs=RATE_HZ, output="sos")
    noise = np.random.default_rng(6).normal(0.0, 0.02, len(speech))
    radiated = [signal.sosfilt(antenna, one) for one in clipped]
    received = [signal.sosfilt(receiver, one + noise) for one in radiated]
    return {"card": clipped, "antenna": radiated, "receiver": received}


def phrase(name: str, speech: Array, versions: int) -> Phrase:
    """Return a phrase in several versions, matched at each listening point."""
    sounds = {
        point: list(matched(signals)) for point, signals in renderings(speech, versions).items()
    }
    return Phrase(
        name=name,
        versions=[
            Version(
                name=called,
                spec=f"gain={gain:g}",
                tracks={
                    point: Track(
                        samples=sounds[point][place].samples,
                        rate_hz=RATE_HZ,
                        lu=sounds[point][place].lufs,
                        lu_before=sounds[point][place].lufs_before,
                        gain_db=sounds[point][place].gain_db,
                    )
                    for point in POINTS
                },
                figures={
                    point: [
                        Figure(name="Clipping", value=f"{gain:g}", unit="x", help="How hard."),
                        Figure(name=f"Figure of {point}", value="-3.5", unit="dB"),
                    ]
                    for point in POINTS
                },
                pictures={"trapezoid": PICTURE, "spectrum": PICTURE},
            )
            for place, (called, gain) in enumerate(list(GAINS.items())[:versions])
        ],
    )


@cache
def content(seconds: tuple[float, ...] = (1.6, 1.0), versions: int = 3) -> Content:
    """Return the content of a page with phrases of these lengths."""
    speech = sound("F1_harvard_phrases")
    phrases = [
        phrase(f"Phrase {number}", np.resize(speech, round(length_s * RATE_HZ)), versions)
        for number, length_s in enumerate(seconds, 1)
    ]
    return Content(
        title="A page of the tests & more: Plain, Warm, Dense",
        phrases=phrases,
        receiver="4 kHz of audio, some noise",
        notes=["A note of the tests on Warm."],
        made_with="carrierfloor, tests",
    )


def nine_versions() -> Content:
    """Return the content of a page with as many versions as there may be; one has a long name."""
    given = content(seconds=(0.5,), versions=1)
    (version,) = given.phrases[0].versions
    names = [f"Version {number}" for number in range(1, 9)]
    names.insert(3, "A very long name of a version, with exactly sixty characters")
    return replace(
        given,
        phrases=[Phrase(name="Short", versions=[replace(version, name=name) for name in names])],
    )
