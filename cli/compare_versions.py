"""The versions of a phrase: each rendered at the sound card, the antenna and in the receiver."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from carrierfloor.cli.compare_content import LISTENING_POINTS, Track
from carrierfloor.cli.compare_spec import Spec
from carrierfloor.cli.job import warmed_up
from carrierfloor.cli.phrase_in import LONGEST_S, read_phrase
from carrierfloor.dsp.alignment import Aligned, aligned
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.envelope_receiver import ReceiverDesign, received
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.in_step import InStep
from carrierfloor.dsp.intelligibility import estoi
from carrierfloor.dsp.intelligibility_audio import talker
from carrierfloor.dsp.level import LevelMeter
from carrierfloor.dsp.loudness import Matched, matched
from carrierfloor.dsp.low_pass import LowPass
from carrierfloor.dsp.prediction import BLOCK, AntennaMeter, AntennaReading
from carrierfloor.dsp.radiated import radiated, scaled_to_limit
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

Sounds = dict[str, Block]  # by listening point


@dataclass(frozen=True, kw_only=True, eq=False)
class Rendered:
    """One version of one phrase.

    Parameters
    ----------
    spec : Spec
        What the user asked for.
    rig : Rig
        Where it goes.
    level : LevelMeter
        What went to the sound card.
    antenna : AntennaReading
        What the antenna sees, through the worst path.
    score : float
        ESTOI of what is heard in the receiver.
    chain : Chain, optional
        What it went through, with its meters.
    file : Aligned, optional
        How a file was put in step.
    """

    spec: Spec
    rig: Rig
    level: LevelMeter
    antenna: AntennaReading
    score: float
    chain: Chain | None = None
    file: Aligned | None = None

    @property
    def low_pass_hz(self) -> float | None:
        """Where the voice ends; unknown without one."""
        stages = self.chain.stages if self.chain else ()
        return next((s.cutoff_hz for s in reversed(stages) if isinstance(s, LowPass)), None)


def read_phrases(files: Sequence[Path]) -> list[Block]:
    """Return all phrases, their channels mixed, at 48 kHz.

    Raises
    ------
    AudioError
        If one cannot be read, or they are too long.
    """
    phrases = [read_phrase(file) for file in files]
    # All are held in memory, and one page holds them all: together they may be as long as one.
    seconds = sum(map(len, phrases)) / SAMPLE_RATE_HZ
    if seconds > LONGEST_S:
        raise AudioError(
            f"the phrases last {seconds:.0f} s together, and {LONGEST_S:g} s are allowed; "
            "leave some out"
        )
    return phrases


def render(spec: Spec, phrase: Block, receiver: ReceiverDesign) -> tuple[Rendered, Sounds]:
    """Render one version of a phrase.

    Parameters
    ----------
    spec : Spec
        Which.
    phrase : ndarray, shape (n,)
        At 48 kHz.
    receiver : ReceiverDesign
        Who listens.

    Returns
    -------
    rendered : Rendered
        What was measured.
    sounds : dict of str to ndarray, shape (n,)
        At 48 kHz and in step with the phrase, for each listening point: sound card, 1.0 = full
        scale; antenna and receiver, 1.0 = 100 % modulation.

    Raises
    ------
    CarrierfloorError
        If a file cannot be read or is something else, or the phrase is silent.
    """
    voice, rig = spec.options.documents()
    chain = warmed_up(Chain(voice, rig)) if spec.has_voice else None
    file = None
    if chain is not None:
        card = _processed(chain, phrase)
    elif spec.file is not None:
        file = _aligned(spec.file, phrase)
        card = file.samples
    else:
        card = scaled_to_limit(phrase, rig)
    level, antenna = LevelMeter(SAMPLE_RATE_HZ), AntennaMeter(rig)
    level.feed(card)
    antenna.feed(card)
    on_air = radiated(card, rig)
    heard = received(on_air, receiver)
    rendered = Rendered(
        spec=spec,
        rig=rig,
        level=level,
        antenna=antenna.finish(),
        score=estoi(talker(phrase), talker(heard)),
        chain=chain,
        file=file,
    )
    return rendered, dict(zip(LISTENING_POINTS, (card, on_air, heard), strict=True))


def _processed(chain: Chain, phrase: Block) -> Block:
    in_step = InStep(chain, SAMPLE_RATE_HZ, SAMPLE_RATE_HZ)
    starts = range(0, len(phrase), BLOCK)
    parts = [in_step.process(phrase[start : start + BLOCK]) for start in starts]
    return np.concatenate([*parts, in_step.finish()])


def match(sounds: Sequence[Sounds]) -> list[dict[str, Track]]:
    """Bring all versions of a phrase to one loudness at each listening point.

    Parameters
    ----------
    sounds : sequence of dict
        For each version, from :func:`render`.  They are emptied: two minutes in nine versions take
        more than a gigabyte.

    Returns
    -------
    list of dict
        For each version, the track at each listening point.

    Raises
    ------
    AudioError
        If one is silent or too short.
    """
    tracks: list[dict[str, Track]] = [{} for _ in sounds]
    for point in LISTENING_POINTS:
        found = matched([one.pop(point) for one in sounds])
        for version, sound in zip(tracks, found, strict=True):
            version[point] = _track(sound)
    return tracks


def _track(sound: Matched) -> Track:
    return Track(
        samples=sound.samples.astype(np.float32),
        rate_hz=round(SAMPLE_RATE_HZ),
        lu=sound.lufs,
        lu_before=sound.lufs_before,
        gain_db=sound.gain_db,
    )


def _aligned(file: Path, phrase: Block) -> Aligned:
    recording = read_phrase(file)
    try:
        return aligned(recording, phrase)
    except AudioError:
        raise AudioError(f"{file} does not hold this phrase; give a recording of it") from None
