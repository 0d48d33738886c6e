"""Make the voices of this folder: our own phrases, spoken by espeak-ng.

Run it from anywhere: ``python audio_samples/make.py``.  It needs the espeak-ng program (version
1.51 made the files here) and numpy, soundfile and soxr, and writes FLAC, 48 kHz, mono, 16 bit.
"""

import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile as sf
import soxr
from numpy.typing import NDArray

FOLDER = Path(__file__).parent
RATE_HZ = 48_000
EDGE_S = 0.15  # silence at both ends
GAP_S = 0.35  # silence between two parts


@dataclass(frozen=True, kw_only=True)
class Part:
    """One stretch of speech by one voice."""

    text: str
    voice: str  # language + variant of espeak-ng
    words_per_minute: int = 165
    pitch: int = 50  # 0 to 99, espeak-ng's own scale
    peak_dbfs: float = -9.0
    presence_db: float = 0.0  # lift above 1 kHz: a raised voice is brighter


SAMPLES = {
    "evening_round_male": [
        Part(
            voice="en+m3",
            text="Good evening to everyone around the table. The rig here is warmed up, "
            "the kettle is on, and the old wire antenna is back between the two birch trees.",
        )
    ],
    "evening_round_female": [
        Part(
            voice="en-us+f4",
            text="Thank you, and hello from the attic. I measured the modulator again this "
            "afternoon, and the carrier stays up on every peak now.",
            peak_dbfs=-8.0,
        )
    ],
    "plosives_male_slow": [
        Part(
            voice="en-us+m7",
            text="Peter picked a big black box of paper capacitors. Put the bottom plate back, "
            "tap it, and keep both hands behind the panel.",
            words_per_minute=130,
            peak_dbfs=-6.0,
        )
    ],
    "sibilants_female_fast": [
        Part(
            voice="en-us+f2",
            text="She says six sideband stations share this slice of spectrum, so she switched "
            "her receiver to the sharpest setting and still hears a hiss. Such is the season.",
            words_per_minute=215,
            peak_dbfs=-10.0,
        )
    ],
    "calm_then_shout_male": [
        Part(
            voice="en+m1",
            text="I am going to speak quite softly now, from well behind the microphone.",
            words_per_minute=160,
            pitch=35,
            peak_dbfs=-24.0,
        ),
        Part(
            voice="en+m1",
            text="Hey! Stop! Switch it off! Look out for the ladder!",
            words_per_minute=175,
            pitch=85,
            peak_dbfs=-6.0,
            presence_db=6.0,
        ),
    ],
    "whisper_female": [
        Part(
            voice="en-us+whisperf",
            text="Everybody else in this house is asleep, so I have to whisper. "
            "Signals are still strong, and the static has stopped.",
            words_per_minute=150,
            peak_dbfs=-12.0,
        )
    ],
    "whisper_male": [
        Part(
            voice="en-us+whisper",
            text="Hush. Keep your voice down. The cat sleeps on the power supply.",
            words_per_minute=140,
            peak_dbfs=-12.0,
        )
    ],
    "two_at_one_microphone": [
        Part(
            voice="en+f3",
            text="Can you read the meter for me?",
            words_per_minute=180,
            peak_dbfs=-7.0,
        ),
        Part(
            voice="en-us+m2",
            text="Just a moment. It says one hundred and eighty watts, give or take five.",
            words_per_minute=185,
            pitch=40,
            peak_dbfs=-15.0,
        ),
        Part(
            voice="en+f3",
            text="Perfect! Back to you.",
            words_per_minute=170,
            pitch=60,
            peak_dbfs=-6.0,
        ),
    ],
}


def speak(part: Part) -> NDArray[np.float64]:
    """Return one part at 48 kHz, at its peak level."""
    with tempfile.TemporaryDirectory() as folder:
        spoken = Path(folder) / "spoken.wav"
        command = ["espeak-ng", "-v", part.voice, "-s", str(part.words_per_minute)]
        command += ["-p", str(part.pitch), "-a", "70", "-w", str(spoken), part.text]
        subprocess.run(command, check=True)
        samples, rate_hz = sf.read(spoken)
    samples = soxr.resample(samples, rate_hz, RATE_HZ)
    samples = brighten(trim(samples), part.presence_db)
    return np.asarray(samples * 10 ** (part.peak_dbfs / 20) / np.abs(samples).max())


def trim(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cut the silence that espeak-ng leaves at both ends."""
    heard = np.flatnonzero(np.abs(samples) > 0.001 * np.abs(samples).max())
    return samples[heard[0] : heard[-1] + 1]


def brighten(samples: NDArray[np.float64], lift_db: float) -> NDArray[np.float64]:
    """Lift what lies above 1 kHz, without phase shift."""
    spectrum = np.fft.rfft(samples)
    ratio = (np.fft.rfftfreq(len(samples), 1 / RATE_HZ) / 1000.0) ** 2
    top = 10 ** (lift_db / 20)
    return np.fft.irfft(spectrum * (1 + top * ratio) / (1 + ratio), len(samples))


def silence(length_s: float) -> NDArray[np.float64]:
    """Return that much silence."""
    return np.zeros(round(length_s * RATE_HZ))


def main() -> None:
    """Write all samples."""
    for name, parts in SAMPLES.items():
        pieces = [silence(EDGE_S)]
        for part in parts:
            pieces += [speak(part), silence(GAP_S)]
        samples = np.concatenate([*pieces[:-1], silence(EDGE_S)])
        target = FOLDER / f"{name}.flac"
        sf.write(target, samples, RATE_HZ, subtype="PCM_16")
        peak_dbfs = 20 * np.log10(np.abs(samples).max())
        print(f"{target.name}: {len(samples) / RATE_HZ:.1f} s, peak {peak_dbfs:.1f} dBFS")


if __name__ == "__main__":
    main()
