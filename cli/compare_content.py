"""What a page of ``compare`` shows and plays: phrases, their versions, sound, figures, pictures."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from numpy.typing import NDArray

LISTENING_POINTS = ("card", "antenna", "receiver")  # in the order in which they are offered


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One figure of a version at one listening point, as it is shown."""

    name: str  # "Negative peak"
    value: str  # "95.0"
    unit: str = ""  # "%"
    help: str = ""  # what it says, in one sentence


@dataclass(frozen=True, kw_only=True, eq=False)
class Track:
    """The sound of one version at one listening point, matched in loudness already.

    The page plays it as it is: loudness is matched by lowering, before it comes here.
    """

    samples: NDArray[Any]  # shape (n,), float32 or float64, within -1 to 1
    rate_hz: int
    lu: float  # gated loudness of the samples, LUFS (ITU-R BS.1770)
    lu_before: float  # before they were changed to match
    gain_db: float  # by how much they were changed to match, 0 or less


@dataclass(frozen=True, kw_only=True, eq=False)
class Version:
    """One phrase with one setting.

    Sound and figures are kept by listening point; pictures are PNG or SVG files by what they
    show ("trapezoid", "spectrum").
    """

    name: str  # as the user calls it
    spec: str  # the setting in full, "voice=dense,drive=12"
    tracks: Mapping[str, Track]
    figures: Mapping[str, Sequence[Figure]] = field(default_factory=dict)
    pictures: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class Phrase:
    """One phrase in all its versions, in the same order for every phrase.

    At one listening point all tracks have the same length and rate, and are in step to the sample.
    """

    name: str
    versions: Sequence[Version]


@dataclass(frozen=True, kw_only=True, eq=False)
class Content:
    """All that one page holds.

    Raises
    ------
    ValueError
        If phrases or tracks do not go together.
    """

    title: str
    phrases: Sequence[Phrase]
    receiver: str  # its bandwidth, noise and fading, in words
    notes: Sequence[str] = ()  # paragraphs at the foot of the page
    made_with: str = ""  # "carrierfloor 0.1.0"

    def __post_init__(self) -> None:
        if len({tuple(v.name for v in phrase.versions) for phrase in self.phrases}) != 1:
            raise ValueError("every phrase needs the same versions in the same order")
        for phrase in self.phrases:
            for point in self.points:
                forms = {_form(version, point) for version in phrase.versions}
                if len(forms) != 1:
                    raise ValueError(f"{phrase.name}: tracks at {point!r} differ: {forms}")

    @property
    def points(self) -> tuple[str, ...]:
        """The listening points there are, in the order in which they are offered."""
        there = self.phrases[0].versions[0].tracks
        return tuple(point for point in LISTENING_POINTS if point in there)


def _form(version: Version, point: str) -> tuple[int, int]:
    track = version.tracks[point]
    return len(track.samples), track.rate_hz
