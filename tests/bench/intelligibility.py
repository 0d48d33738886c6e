"""How much carrier power the processing saves a listener in noise: effective power gain.

Usage, from the top of the repository::

    python tests/bench/intelligibility.py [--quick] [--voices NAME,NAME] [--rig NAME] [CLIP ...]

The modulation is taken *behind* the rig's analogue path, applied in the frequency domain, and
scaled so that its deepest trough, 8 times interpolated, lies exactly at the rig's limit.  A
receiver hears it with white Gaussian noise in 5 kHz of audio; C/N is carrier power over noise
power in 10 kHz of RF.  Each C/N, in steps of 2 dB, is scored with ESTOI against the clean speech
in 5 kHz (J. Jensen and C. H. Taal, "An algorithm for predicting the intelligibility of speech
masked by modulated noise maskers", IEEE/ACM Trans. Audio, Speech and Language Processing 24(11),
2016; the package pystoi).  The effective power gain at a score is the C/N that speech merely
scaled to the limit needs for it, minus the C/N that the processed speech needs.
"""

import argparse
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import soundfile as sf
import soxr
from numpy.typing import NDArray
from pystoi import stoi
from scipy import fft

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.voice import Voice

Audio = NDArray[np.float64]

HERE = Path(__file__).resolve().parents[1]
CLIPS = (HERE / "open_speech", HERE.parent / "audio_samples")
RATE_HZ = 48_000
RECEIVER_RATE_HZ = 10_000  # holds 5 kHz of audio exactly; the rate at which ESTOI works
AUDIO_HZ, EDGE_HZ = 5_000.0, 4_800.0  # the receiver's audio band and where its slope begins
BEHIND_S = 0.5  # silence after a clip, in which the path rings out
TROUGH_INTERPOLATION = 8
CARRIER_POWER = 0.5  # of a carrier of amplitude 1
STEP_DB = 2.0
LOWEST_CN_DB, HIGHEST_CN_DB = -20.0, 80.0
SCORES = (0.3, 0.5, 0.7)
GOALS = {  # voice: mean gain at .5 and .7, worst gain at .5, mean clean ESTOI
    "everyday": (10.0, 9.0, 7.0, 0.93),
    "dense": (14.0, 13.0, 10.0, 0.86),
}


def read_clip(file: Path) -> Audio:
    """Return a clip's first channel at 48 kHz, shape (n,)."""
    samples, rate_hz = sf.read(file, always_2d=True)
    return np.asarray(soxr.resample(samples[:, 0], rate_hz, RATE_HZ), dtype=np.float64)


def processed(clip: Audio, voice: Voice, rig: Rig) -> Audio:
    """Run a clip through the whole chain; same length, in step, 1.0 = 100 % modulation."""
    chain = Chain(voice, rig)
    out = np.concatenate([chain.process(clip), chain.flush()])[chain.latency_samples :]
    return out[: len(clip)] / rig.level.sample_at_full_modulation


def spectrum(audio: Audio) -> tuple[NDArray[np.complex128], Audio]:
    """Return the spectrum of audio with silence behind it, and its frequencies in hertz."""
    blocks = math.ceil((len(audio) + BEHIND_S * RATE_HZ) / RATE_HZ * 10)  # whole tenths of a second
    size = blocks * RATE_HZ // 10
    return fft.rfft(audio, size), fft.rfftfreq(size, 1 / RATE_HZ)


def receiver_audio(bins: NDArray[np.complex128], frequency_hz: Audio) -> Audio:
    """Low-pass a spectrum to the receiver's audio band and return its signal at 10 kHz."""
    slope = np.clip((AUDIO_HZ - frequency_hz) / (AUDIO_HZ - EDGE_HZ), 0.0, 1.0)
    size = 2 * (len(bins) - 1)
    kept = (bins * np.sin(np.pi / 2 * slope) ** 2)[: size * RECEIVER_RATE_HZ // RATE_HZ // 2 + 1]
    return np.asarray(fft.irfft(kept) * RECEIVER_RATE_HZ / RATE_HZ)


def received(modulation: Audio, rig: Rig, band_limit: bool) -> Audio:
    """Return what an ideal receiver hears without noise, at 10 kHz, for a carrier of 1.

    Parameters
    ----------
    modulation : ndarray, shape (n,)
        Ahead of the rig's path, at 48 kHz.
    rig : Rig
        Its first path is used; a rig without one is flat.
    band_limit : bool
        Low-pass to 5 kHz ahead of the path, for speech that no voice has low-passed.
    """
    bins, frequency_hz = spectrum(modulation)
    if band_limit:
        slope = np.clip((AUDIO_HZ - frequency_hz) / (AUDIO_HZ - EDGE_HZ), 0.0, 1.0)
        bins = bins * np.sin(np.pi / 2 * slope) ** 2
    if rig.paths:
        bins = bins * rig.paths[0].response(frequency_hz)
    size = 2 * (len(bins) - 1) * TROUGH_INTERPOLATION
    trough = -float(np.min(fft.irfft(bins, size))) * TROUGH_INTERPOLATION
    limit = rig.modulation.negative_limit_pct / 100.0
    return receiver_audio(bins, frequency_hz) * (limit / trough)


@dataclass
class Reception:
    """Speech as received, and how well it is understood in noise."""

    clean: Audio  # the talker's own words in 5 kHz, at 10 kHz
    audio: Audio  # as received without noise, at 10 kHz

    def __post_init__(self) -> None:
        self._noise = np.random.default_rng(5).standard_normal(len(self.audio))
        self._scores: dict[float, float] = {}

    @cached_property
    def score_without_noise(self) -> float:
        """ESTOI without noise: what the processing alone costs."""
        return float(stoi(self.clean, self.audio, RECEIVER_RATE_HZ, extended=True))

    @cached_property
    def active_db(self) -> float:
        """Rms of the modulation in dB while the talker talks, 0 dB = rms 1.

        That is in the 20 ms frames that are less than 40 dB under the loudest of the clean speech.
        """
        frame = RECEIVER_RATE_HZ // 50
        count = len(self.clean) // frame
        clean = np.mean(self.clean[: count * frame].reshape(count, frame) ** 2, axis=1)
        power = np.mean(self.audio[: count * frame].reshape(count, frame) ** 2, axis=1)
        return 10.0 * math.log10(np.mean(power[clean > 1e-4 * clean.max()]))

    def score(self, cn_db: float) -> float:
        """ESTOI at a carrier-to-noise ratio in 10 kHz of RF."""
        if cn_db not in self._scores:
            noise_rms = math.sqrt(CARRIER_POWER / 10.0 ** (cn_db / 10.0))
            heard = self.audio + noise_rms * self._noise
            self._scores[cn_db] = float(stoi(self.clean, heard, RECEIVER_RATE_HZ, extended=True))
        return self._scores[cn_db]

    def cn_needed_db(self, score: float) -> float:
        """C/N that reaches a score, between steps of 2 dB; NaN if none does."""
        if self.score_without_noise <= score:
            return math.nan
        low, high = 0, round((HIGHEST_CN_DB - LOWEST_CN_DB) / STEP_DB)
        while high - low > 1:
            middle = (low + high) // 2
            if self.score(LOWEST_CN_DB + STEP_DB * middle) < score:
                low = middle
            else:
                high = middle
        below, above = (LOWEST_CN_DB + STEP_DB * step for step in (low, high))
        share = (score - self.score(below)) / (self.score(above) - self.score(below))
        return below + STEP_DB * share


@dataclass(frozen=True)
class Result:
    """One clip through one voice."""

    clip: str
    gains_db: tuple[float, ...]  # at each of SCORES
    score_without_noise: float
    active_db: float


def reference(clip: Audio, rig: Rig) -> Reception:
    """Return the reception of a clip that is merely scaled to the limit."""
    return Reception(receiver_audio(*spectrum(clip)), received(clip, rig, band_limit=True))


def compare(name: str, scaled: Reception, modulation: Audio, rig: Rig) -> Result:
    """Hold processed speech against the scaled speech of the same clip."""
    ours = Reception(scaled.clean, received(modulation, rig, band_limit=False))
    gains = tuple(scaled.cn_needed_db(score) - ours.cn_needed_db(score) for score in SCORES)
    return Result(name, gains, ours.score_without_noise, ours.active_db)


def usable_references(files: Iterable[Path], rig: Rig) -> dict[Path, Reception]:
    """Return the references that a gain at .5 and .7 can be read against; name the others."""
    found = {}
    for file in files:
        scaled = reference(read_clip(file), rig)
        if scaled.score_without_noise < 0.75:
            print(f"{file.name} left out: scaled speech scores {scaled.score_without_noise:.2f}")
        else:
            found[file] = scaled
    return found


def print_table(title: str, results: Sequence[Result]) -> None:
    """Print one row a clip, then mean and worst."""
    print(f"\n{title}")
    print(
        f"{'clip':34s} {'gain, dB, at .3':>15s} {'.5':>6s} {'.7':>6s} "
        f"{'clean':>6s} {'rms m dB':>8s}"
    )
    for result in results:
        _print_row(result.clip, result.gains_db, result.score_without_noise, result.active_db)
    _print_summary("mean", results, np.mean)
    _print_summary("worst", results, np.min)
    people = [result for result in results if (CLIPS[0] / result.clip).exists()]
    if 0 < len(people) < len(results):
        _print_summary("mean of the people alone", people, np.mean)


def _print_summary(
    name: str, results: Sequence[Result], summary: Callable[..., NDArray[np.float64]]
) -> None:
    gains = summary([result.gains_db for result in results], axis=0)
    clean = summary([result.score_without_noise for result in results])
    _print_row(name, gains, float(clean), float(summary([r.active_db for r in results])))


def _print_row(name: str, gains_db: Iterable[float], clean: float, active_db: float) -> None:
    three, five, seven = gains_db
    print(f"{name:34s} {three:+15.1f} {five:+6.1f} {seven:+6.1f} {clean:6.3f} {active_db:8.1f}")


def print_goals(voice: str, results: Sequence[Result]) -> None:
    """Say which of a voice's goals are reached."""
    gains = np.array([result.gains_db for result in results])
    clean = float(np.mean([result.score_without_noise for result in results]))
    have = (gains[:, 1].mean(), gains[:, 2].mean(), gains[:, 1].min(), clean)
    names = ("mean gain at .5", "mean gain at .7", "worst gain at .5", "mean clean ESTOI")
    for name, value, goal in zip(names, have, GOALS[voice], strict=True):
        print(f"  {name}: {value:.3g}, goal {goal:g}: {'reached' if value >= goal else 'MISSED'}")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Effective power gain of the shipped voices.")
    parser.add_argument(
        "clips", nargs="*", type=Path, help="sound files (default: the repository's)"
    )
    parser.add_argument("--voices", default="everyday,dense", help="names, comma between; or all")
    parser.add_argument("--rig", default=presets.DEFAULT_RIG)
    parser.add_argument("--quick", action="store_true", help="the four clips of real talkers only")
    options = parser.parse_args(arguments)
    folders = CLIPS[:1] if options.quick else CLIPS
    files = options.clips or [file for folder in folders for file in sorted(folder.glob("*.flac"))]
    rig = presets.rig(options.rig)
    names = presets.names("voices") if options.voices == "all" else options.voices.split(",")
    references = usable_references(files, rig)
    for name in names:
        voice = presets.voice(name)
        results = [
            compare(file.name, scaled, processed(read_clip(file), voice, rig), rig)
            for file, scaled in references.items()
        ]
        print_table(f"voice {name}, rig {options.rig}", results)
        if name in GOALS and not options.quick and not options.clips:  # goals are for all clips
            print_goals(name, results)


if __name__ == "__main__":
    main()
