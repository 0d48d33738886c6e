"""Reading, whatever the header says about the length.

The truth is what was written, or what soundfile reads from the undamaged file.
"""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.cli.audio_in import BLOCK_FRAMES, AudioIn
from carrierfloor.dsp.errors import AudioError
from tests.cli.files import talk, write_sound, write_text
from tests.clips import Array


def read(path: Path) -> tuple[Array, AudioIn]:
    with AudioIn(path) as sound:
        return np.concatenate(list(sound.blocks())), sound


def patch(path: Path, at: int, content: bytes) -> None:
    data = bytearray(path.read_bytes())
    data[at : at + len(content)] = content
    path.write_bytes(data)


@pytest.mark.parametrize("frames", [1, BLOCK_FRAMES - 1, BLOCK_FRAMES, BLOCK_FRAMES + 1, 50_000])
def test_all_frames_of_all_channels_come_out(frames: int, tmp_path: Path) -> None:
    samples = np.random.default_rng(12).uniform(-1.0, 1.0, (frames, 3))
    got, sound = read(write_sound(tmp_path / "in.wav", samples, subtype="DOUBLE"))
    np.testing.assert_array_equal(got, samples)
    assert (sound.channels, sound.frames_promised) == (3, frames)
    assert sound.part_read == 1.0


@pytest.mark.parametrize("promised", [0xFFFFFFFF, 0x7FFFFFFF, 200_000])
def test_wav_that_promises_more(promised: int, tmp_path: Path) -> None:
    """As programs that write into a pipe leave it, or a recorder that lost its power."""
    path = write_sound(tmp_path / "in.wav", rate_hz=8000, subtype="PCM_16")
    at = path.read_bytes().find(b"data") + 4
    patch(path, at, struct.pack("<I", promised))
    got, _ = read(path)
    assert got.shape == (8000, 1)
    np.testing.assert_allclose(got[:, 0], talk(8000), atol=1e-4)


def test_flac_of_unknown_length(tmp_path: Path) -> None:
    """RFC 9639 section 8.2: 36 bits of zero mean that the number of samples is not known."""
    path = write_sound(tmp_path / "in.flac", subtype="PCM_16")
    known, _ = read(path)
    number_of_samples = 8 + 13  # after the marker, the block's header and 13 bytes
    first = path.read_bytes()[number_of_samples]
    patch(path, number_of_samples, bytes([first & 0xF0, 0, 0, 0, 0]))
    got, sound = read(path)
    np.testing.assert_array_equal(got, known)
    assert sound.frames_promised is None
    assert sound.part_read == 0.0


def test_mp3_without_table_of_contents(tmp_path: Path) -> None:
    """Of varying bit rate: the silence at the beginning makes it look like a short file."""
    samples = np.concatenate([np.zeros(48_000), talk(48_000, 4.0, 0.9)])
    path = tmp_path / "in.mp3"
    sf.write(path, samples, 48_000, subtype="MPEG_LAYER_III", bitrate_mode="VARIABLE")
    known, _ = read(path)
    data = path.read_bytes()
    assert b"Xing" in data
    path.write_bytes(data.replace(b"Xing", bytes(4)))
    assert len(sf.read(path)[0]) < 0.9 * len(samples)  # what it would be without care
    got, sound = read(path)
    assert len(got) >= len(samples)
    assert sound.frames_promised is None
    lag = len(got) - len(known)  # the table also says what the encoder padded
    assert 0 < lag < 5000
    best = min(np.abs(got[k : k + 50_000] - known[:50_000]).max() for k in (1105, 1153, 2257))
    assert best < 0.05


def test_mp3_with_a_tag_before_it(tmp_path: Path) -> None:
    """ID3v2.4 section 3.1: the tag's size is in four bytes of seven bits."""
    path = write_sound(tmp_path / "in.mp3", subtype="MPEG_LAYER_III")
    known, _ = read(path)
    size = 5000
    tag = b"ID3\x04\x00\x00" + bytes([0, 0, size >> 7, size & 127]) + bytes(size)
    path.write_bytes(tag + path.read_bytes())
    got, sound = read(path)
    np.testing.assert_array_equal(got, known)
    assert sound.frames_promised is not None


def test_leaving_early_is_no_error(tmp_path: Path) -> None:
    path = write_sound(tmp_path / "in.wav", np.zeros(100_000))
    with AudioIn(path) as sound:
        next(sound.blocks())
    assert sound.frames_read == BLOCK_FRAMES


def test_a_shorter_file_than_promised_is_noticed(tmp_path: Path) -> None:
    path = write_sound(tmp_path / "in.ogg", subtype="VORBIS")
    path.write_bytes(path.read_bytes()[:4000])
    with pytest.raises(AudioError, match=r"in.ogg: (holds no samples|not a sound file)"):
        read(path)


def test_refusals_name_the_file(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "no.wav", write_text(tmp_path / "text.wav", "words")):
        with pytest.raises(AudioError, match=f"^{path}: "):
            AudioIn(path)
