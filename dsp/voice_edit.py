"""Changing single stages of a voice."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from carrierfloor.dsp.stage import StageDesign
from carrierfloor.dsp.voice import Voice


def first_of(voice: Voice, kind: str) -> Any:
    """Return the first stage of a kind, or ``None``."""
    return next((stage for stage in voice.stages if stage.kind == kind), None)


def with_settings(voice: Voice, kind: str, **settings: Any) -> Voice:
    """Return the voice with other settings in all its stages of a kind."""
    stages = tuple(
        replace(stage, **settings) if stage.kind == kind else stage for stage in voice.stages
    )
    return replace(voice, stages=stages)


def with_stage_before(voice: Voice, design: StageDesign, kinds: Sequence[str]) -> Voice:
    """Return the voice with one more stage, ahead of the first that is of one of these kinds.

    If there is none it comes first of all.
    """
    at = next((n for n, stage in enumerate(voice.stages) if stage.kind in kinds), 0)
    return replace(voice, stages=(*voice.stages[:at], design, *voice.stages[at:]))


def with_stage_behind(voice: Voice, design: StageDesign, kind: str) -> Voice:
    """Return the voice with one more stage, behind the first of this kind, or first of all."""
    at = next((n for n, stage in enumerate(voice.stages, 1) if stage.kind == kind), 0)
    return replace(voice, stages=(*voice.stages[:at], design, *voice.stages[at:]))
