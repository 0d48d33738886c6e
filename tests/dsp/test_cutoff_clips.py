"""Which parts of a recording are written as clips."""

import numpy as np
import pytest

from carrierfloor.dsp.cutoff_clips import AFTER_S, BEFORE_S, LONGEST_S, choose_clips, faded
from carrierfloor.dsp.cutoff_finder import CutOff


def test_surroundings_that_overlap_share_a_clip() -> None:
    cutoffs = [CutOff(at, 0.001) for at in (0.5, 5.0, 6.0, 20.0)]
    clips = choose_clips(cutoffs, 20.1)
    assert [len(clip.cutoffs) for clip in clips] == [1, 2, 1]
    assert clips[0].start_s == 0.0
    assert clips[1].start_s == pytest.approx(5.0 - BEFORE_S)
    assert clips[1].end_s == pytest.approx(6.001 + AFTER_S)
    assert clips[2].end_s == 20.1
    assert clips[1].off_s == pytest.approx(0.002)


def test_the_longest_are_kept() -> None:
    cutoffs = [CutOff(10.0 * k, 0.001 * ((7 * k) % 10 + 1)) for k in range(10)]
    clips = choose_clips(cutoffs, 200.0, most=3)
    kept = [clip.worst.duration_s for clip in clips]
    assert sorted(kept) == pytest.approx([0.008, 0.009, 0.010])
    assert [clip.start_s for clip in clips] == sorted(clip.start_s for clip in clips)


def test_no_clip_grows_without_end() -> None:
    clips = choose_clips([CutOff(0.5 * k, 0.001) for k in range(100)], 60.0, most=99)
    assert all(clip.end_s - clip.start_s <= LONGEST_S for clip in clips)
    assert sum(len(clip.cutoffs) for clip in clips) == 100


def test_nothing_to_hear() -> None:
    assert choose_clips([], 10.0) == ()


def test_ends_are_soft_and_the_peak_is_known() -> None:
    clip = faded(np.full(48_000, 0.3), 0.3)
    assert abs(clip[0]) < 1e-4
    assert abs(clip[-1]) < 1e-4
    assert np.abs(clip).max() == pytest.approx(0.7)
    assert not np.any(faded(np.zeros(100), 0.0))
