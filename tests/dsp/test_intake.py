"""Choosing and mixing channels."""

import numpy as np
import pytest

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.intake import Intake, channel_index

STEREO = np.array([[1.0, 0.0], [0.5, -0.5], [0.0, 0.25]])


@pytest.mark.parametrize(
    ("choice", "expected"),
    [
        ("mix", [0.5, 0.0, 0.125]),
        ("left", [1.0, 0.5, 0.0]),
        ("right", [0.0, -0.5, 0.25]),
        ("2", [0.0, -0.5, 0.25]),
    ],
)
def test_choice(choice: str, expected: list[float]) -> None:
    np.testing.assert_array_equal(Intake(2, choice).process(STEREO), expected)


@pytest.mark.parametrize("choice", ["mix", "left", "right", "1"])
def test_one_channel_answers_to_all_its_names(choice: str) -> None:
    np.testing.assert_array_equal(Intake(1, choice).process(STEREO[:, :1]), [1.0, 0.5, 0.0])


@pytest.mark.parametrize("choice", ["3", "0", "-1", "middle", "", "1.0"])
def test_a_channel_that_is_not_there_is_refused(choice: str) -> None:
    with pytest.raises(SettingError, match="mix, left, right or 1 to 2"):
        channel_index(choice, 2)


def test_what_is_no_number_becomes_silence_and_is_counted() -> None:
    frames = np.array([[np.nan, 0.5], [np.inf, -np.inf], [1e300, 0.0]])
    intake = Intake(2)
    np.testing.assert_array_equal(intake.process(frames), [0.25, 0.0, 500.0])
    assert intake.nonfinite_samples == 3


def test_only_the_channel_used_is_counted() -> None:
    intake = Intake(2, "right")
    intake.process(np.array([[np.nan, 0.5]]))
    assert intake.nonfinite_samples == 0


def test_channels_of_opposite_polarity_are_noticed() -> None:
    voice = np.random.default_rng(4).standard_normal(1000)
    opposite, alike = Intake(2), Intake(2)
    opposite.process(np.column_stack([voice, -voice]))
    alike.process(np.column_stack([voice, 0.1 * voice]))
    assert opposite.cancels
    assert not alike.cancels
    assert not Intake(2).cancels  # nothing heard yet
