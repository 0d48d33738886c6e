"""Writing: whole or not at all."""

import os
import stat
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.cli import audio_out
from carrierfloor.cli.audio_out import AudioOut, sample_format, wide_enough
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.sample_format import SampleFormat
from tests.cli.files import left_over, write_sound

PCM_16 = SampleFormat(name="PCM_16")


def opened(path: Path) -> AudioOut:
    return AudioOut(path, container="WAV", sample_type=PCM_16, sample_rate_hz=48_000)


def test_nothing_is_there_until_commit(tmp_path: Path) -> None:
    path = tmp_path / "out.wav"
    with opened(path) as out:
        out.write(np.full(1000, 2**30, dtype=np.int32))
        assert not path.exists()
        out.commit()
        assert path.exists()
    samples, rate_hz = sf.read(path)
    np.testing.assert_array_equal(samples, np.full(1000, 0.5))
    assert rate_hz == 48_000
    assert left_over(tmp_path) == []


def test_without_a_commit_nothing_is_left(tmp_path: Path) -> None:
    with opened(tmp_path / "out.wav") as out:
        out.write(np.zeros(1000, dtype=np.int32))
    assert list(tmp_path.iterdir()) == []


def test_an_error_leaves_what_was_there(tmp_path: Path) -> None:
    path = write_sound(tmp_path / "out.wav")
    before = path.read_bytes()
    with pytest.raises(ValueError, match="dtype"), opened(path) as out:
        out.write("no samples")  # type: ignore[arg-type]
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["out.wav"]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    link, place = tmp_path / "out.wav", tmp_path / "elsewhere" / "real.wav"
    link.symlink_to(place)
    with opened(link) as out:
        out.commit()
    assert link.is_symlink()
    assert sf.info(place).frames == 0


@pytest.mark.skipif(sys.platform == "win32", reason="other permissions there")
def test_the_file_gets_the_usual_permissions(tmp_path: Path) -> None:
    """Those of any new file under the user's mask, not those of a temporary file."""
    mask = os.umask(0o027)
    try:
        with opened(tmp_path / "out.wav") as out:
            out.commit()
    finally:
        os.umask(mask)
    assert stat.S_IMODE((tmp_path / "out.wav").stat().st_mode) == 0o640


@pytest.mark.parametrize(
    ("container", "sample_type", "hours", "expected"),
    [
        ("WAV", "PCM_16", 12, "WAV"),
        ("WAV", "PCM_16", 13, "RF64"),
        ("WAV", "DOUBLE", 3, "WAV"),
        ("WAV", "DOUBLE", 4, "RF64"),
        ("FLAC", "PCM_24", 100, "FLAC"),
    ],
)
def test_beyond_4_gib_a_wav_becomes_rf64(
    container: str, sample_type: str, hours: int, expected: str
) -> None:
    """4 GiB are 12.4 hours of 16 bit at 48 kHz, or 3.1 hours of 64 bit."""
    frames = hours * 3600 * 48_000
    assert wide_enough(container, SampleFormat(name=sample_type), frames) == expected


def test_rf64_reads_as_any_other(tmp_path: Path) -> None:
    path = tmp_path / "out.wav"
    with AudioOut(path, container="RF64", sample_type=PCM_16, sample_rate_hz=48_000) as out:
        out.write(np.full(100, 2**30, dtype=np.int32))
        out.commit()
    assert sf.info(path).format == "RF64"
    np.testing.assert_array_equal(sf.read(path)[0], np.full(100, 0.5))


def test_a_wav_never_grows_beyond_its_header(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The limit is lowered here, for 4 GiB take too long."""
    monkeypatch.setattr(audio_out, "WAV_LARGEST_BYTES", 2000)
    with opened(tmp_path / "out.wav") as out:
        out.write(np.zeros(1000, dtype=np.int32))
        with pytest.raises(AudioError, match="too long for a WAV file"):
            out.write(np.zeros(1, dtype=np.int32))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("container", "wanted", "source", "expected"),
    [
        ("WAV", None, "PCM_16", "PCM_16"),
        ("WAV", None, "PCM_U8", "PCM_24"),
        ("FLAC", None, "DOUBLE", "PCM_24"),
        ("FLAC", "pcm_16", "DOUBLE", "PCM_16"),
    ],
)
def test_choice_of_the_sample_type(
    container: str, wanted: str | None, source: str, expected: str
) -> None:
    assert sample_format(container, wanted, source).name == expected


def test_a_type_that_does_not_fit_is_refused() -> None:
    with pytest.raises(SettingError, match="FLOAT does not go into a FLAC file"):
        sample_format("FLAC", "FLOAT", "FLOAT")
