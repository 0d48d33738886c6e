"""Trapezoid and clips of transmitters simulated by tests/reference, which shares no code."""

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
from matplotlib.image import imread

from carrierfloor.cli import check_clips, check_trapezoid
from carrierfloor.cli.check_clips import write_clips
from carrierfloor.cli.check_reference import ReferenceFolder
from carrierfloor.cli.check_trapezoid import CheckedTrapezoid, trapezoid
from carrierfloor.cli.kept_signal import KeptSignal, ReceivedSignal
from carrierfloor.dsp.carrier_reference import CarrierReference
from carrierfloor.dsp.carrier_rows import ROW
from carrierfloor.dsp.cutoff_finder import CutOff
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.rig import Rig
from tests.cli.files import left_over
from tests.clips import Array, rig, sound
from tests.reference.radio import resampled
from tests.reference.transmitter import FINE_HZ, LEAD_S, Bend, Block, Sections, Transmitter

RATE_HZ = 48_000
FULL = 10 ** (-6 / 20)
PATH = (
    {"kind": "highpass", "corner_hz": 60.0, "q": 0.7},
    {"kind": "lowpass", "corner_hz": 6000.0, "q": 0.7},
)
RIG = rig([list(PATH)], full_modulation_dbfs=-6.0)


OPEN = ExitStack()  # files that hold what was received


@pytest.fixture(autouse=True)
def close_files() -> Iterator[None]:
    yield
    OPEN.close()


def talk(peak: float) -> Array:
    samples = np.asarray(sound("plosives_male_slow")[: 5 * RATE_HZ])
    return np.asarray(samples * peak / np.abs(samples).max())


def received(card: Array, *blocks: Block, full: float = FULL) -> ReceivedSignal:
    """What a transmitter radiates, heard with a little noise."""
    transmitter = Transmitter((Sections(PATH), *blocks), full)
    envelope = resampled(transmitter.envelope(card), FINE_HZ, RATE_HZ)
    noise = 0.002 * np.random.default_rng(1).standard_normal(len(envelope))
    kept = OPEN.enter_context(KeptSignal())
    kept.add(envelope + noise)
    rows = -(-len(envelope) // ROW)
    all_of_it, none = np.ones(rows, dtype=bool), np.zeros(rows, dtype=bool)
    reference = CarrierReference(
        height=np.ones(rows),
        known=all_of_it,
        modulated=all_of_it,
        unmodulated=none,
        measured=all_of_it,
        followed=none,
        faded=none,
        noise=np.full(rows, 0.002**2),
        error=0.0,
    )
    return ReceivedSignal(kept, reference, 16_000.0)


def shown(
    heard: ReceivedSignal,
    card: Array,
    folder: Path,
    chosen: Rig | None = RIG,
    rate_hz: int = RATE_HZ,
) -> CheckedTrapezoid:
    file = folder / "sent.wav"
    sf.write(file, resampled(card, RATE_HZ, rate_hz), rate_hz, subtype="FLOAT")
    with ReferenceFolder() as kept:
        reference = kept.read(file, heard, chosen, None)
        assert reference.time_map.offset == pytest.approx(LEAD_S * RATE_HZ, abs=60.0)
        return trapezoid(heard, reference, chosen, 0.002)


def test_a_linear_modulator_has_straight_sides_through_the_path(tmp_path: Path) -> None:
    """Against the audio itself the same signal shows ellipses; 44.1 kHz makes no difference."""
    card = talk(0.6)
    found = shown(received(card), card, tmp_path, rate_hz=44_100)
    report = found.report["trapezoid"]
    assert report["linearity_pct"] < 0.4
    assert report["explained_pct"] > 99.9
    assert report["level_db"] == pytest.approx(0.0, abs=0.01)
    assert found.report["reference"]["upside_down"] is False
    assert found.straight_from_card is not None
    assert found.straight_from_card.explained < 0.98
    keys = {f"{group}.{key}" for group, part in found.report.items() for key in part}
    assert keys == set(check_trapezoid.KEYS)


def test_bends_level_and_polarity_are_told(tmp_path: Path) -> None:
    """0.9 dB more than the rig says, upside down, crests compressed, carrier cut off."""
    card = talk(0.75)
    full = -FULL * 10 ** (-0.9 / 20)
    bend = Bend(compression_from=0.5, compression=0.3)
    found = shown(received(card, bend, full=full), card, tmp_path)
    report = found.report["trapezoid"]
    assert report["level_db"] == pytest.approx(0.9, abs=0.03)
    assert report["full_modulation_dbfs"] == pytest.approx(-6.9, abs=0.03)
    assert (report["upper_end"], report["lower_end"]) == ("compressed", "cut off")
    assert found.report["reference"]["upside_down"]
    said = " ".join(found.notes)
    assert all(word in said for word in ("upside down", "Crests are compressed", "tail", "-6.90"))
    (picture,) = found.draw(tmp_path / "pictures")
    pixels = imread(picture)
    assert pixels.shape[1] > 1000
    assert pixels[..., 3].max() == 1.0


def test_without_a_path_it_says_that_phase_hides_the_sides(tmp_path: Path) -> None:
    card = talk(0.6)
    found = shown(received(card), card, tmp_path, chosen=None)
    assert not found.is_clear
    assert found.report["trapezoid"]["level_db"] is None
    assert any("measure the path" in note for note in found.notes)


def test_another_sound_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(AudioError, match=r"sent\.wav: the reference is not in this recording"):
        shown(received(talk(0.6)), np.random.default_rng(1).uniform(-0.3, 0.3, 200_000), tmp_path)


CUTOFFS = [CutOff(2.0, 0.0005), CutOff(2.1, 0.002), CutOff(5.0, 0.001)]


def test_clips_hold_what_was_heard(tmp_path: Path) -> None:
    heard = received(talk(0.75))
    made = write_clips(tmp_path / "clips", heard, CUTOFFS, count=5, rig=RIG)
    assert sorted(file.name for file in (tmp_path / "clips").iterdir()) == [
        "cutoff-at-00002.000s.png", "cutoff-at-00002.000s.wav",
        "cutoff-at-00005.000s.png", "cutoff-at-00005.000s.wav",
    ]  # fmt: skip
    clip, rate_hz = sf.read(made.files[0])
    assert rate_hz == RATE_HZ
    first = round(0.5 * RATE_HZ)
    part = heard.take(first, len(clip))
    assert np.corrcoef(clip[1000:-1000], part[1000:-1000])[0, 1] > 0.9999  # without the fades
    assert len(clip) == pytest.approx((2.102 + 0.3 - 0.5) * RATE_HZ, abs=1)
    assert made.report["left_out"] == 2
    assert made.report["off_ms"] == pytest.approx([2.5, 1.0])
    assert {f"clips.{key}" for key in made.report} == set(check_clips.KEYS)
    assert imread(made.pictures[0]).shape[1] > 1000


def test_clips_of_the_reference(tmp_path: Path) -> None:
    """Heard upside down and half a second late, it is written as it was played."""
    card = talk(0.75)
    heard = received(card, full=-FULL)
    sf.write(tmp_path / "sent.wav", card, RATE_HZ, subtype="FLOAT")
    with ReferenceFolder() as kept:
        reference = kept.read(tmp_path / "sent.wav", heard, RIG, None)
        made = write_clips(tmp_path / "clips", heard, CUTOFFS[:1], reference=reference)
    clip, _ = sf.read(made.files[0])
    assert np.abs(np.corrcoef(clip, card[: len(clip)])[0, 1]) > 0.99
    assert made.report["audio"] == "reference"


def test_clips_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    heard = received(talk(0.6))
    none = write_clips(tmp_path / "none", heard, [])
    assert none.notes == ["Nothing was written to --clips: no cut-off was found."]
    assert not (tmp_path / "none").exists()
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "a.txt").write_text("mine")
    with pytest.raises(SettingError, match="holds files already"):
        write_clips(tmp_path / "full", heard, CUTOFFS)
    with pytest.raises(SettingError, match="there is no folder"):
        write_clips(tmp_path / "no" / "where", heard, CUTOFFS)

    def full_disk(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(check_clips, "_write", full_disk)
    with pytest.raises(SettingError, match="No space left"):
        write_clips(tmp_path / "clips", heard, CUTOFFS)
    assert not (tmp_path / "clips").exists()
    assert left_over(tmp_path) == []
    assert [p.name for p in tmp_path.iterdir()] == ["full"]
