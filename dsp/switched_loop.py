"""Sounds in step that go round for ever, of which one is heard at a time.

Each change begins a stretch of its own.  Stretch k is heard with the gain r(k) - r(k + 1), where
r(k) rises on a raised cosine from where the stretch begins: the gains always add up to one, however
fast the changes follow each other.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.signals import raised_cosine
from carrierfloor.dsp.stage import Block

FADE_SAMPLES = 480  # 10 ms


@dataclass(frozen=True)
class _Stretch:
    begin: int  # sample of the stream
    sound: int | None  # None: silence
    place: int  # in the sound, at its beginning

    def place_at(self, sample: int) -> int:
        return self.place + (sample - self.begin if self.sound is not None else 0)


class SwitchedLoop:
    """A stream that another thread may switch at any time; it begins with silence.

    Parameters
    ----------
    sounds : sequence of ndarray, shape (n,)
        float32 or float64.  Each is taken round from its last 10 ms into its first without a click.

    Attributes
    ----------
    samples : int or None
        Where the stream ends, once that is known.
    """

    ramp_samples = FADE_SAMPLES

    def __init__(self, sounds: Sequence[Block]) -> None:
        self.samples: int | None = None
        self._loops = [_loop(sound) for sound in sounds]
        self._stretches = [_Stretch(0, None, 0)]
        self._wanted: tuple[int | None, bool] = (None, False)

    def hear(self, sound: int | None, *, from_start: bool = False) -> None:
        """Switch with the next samples.

        Parameters
        ----------
        sound : int or None
            Its number; ``None`` pauses.
        from_start : bool
            Whether it begins anew; else it goes on where the one before is.
        """
        self._wanted = (sound, from_start)

    def place(self, sample: int) -> int:
        """Return which sample of the sound is heard at a sample of the stream."""
        last = self._stretches[-1]
        if last.sound is None:
            return last.place
        return max(0, last.place_at(sample)) % len(self._loops[last.sound])

    def at(self, first: int, count: int) -> Block:
        """Return ``count`` samples of the stream from ``first`` on, where the last ones ended."""
        self._switch(first)
        n = np.arange(first, first + count)
        rises = [raised_cosine(n - stretch.begin, FADE_SAMPLES) for stretch in self._stretches]
        block = np.zeros(count)
        for stretch, rise, next_rise in zip(
            self._stretches, rises, [*rises[1:], np.zeros(count)], strict=True
        ):
            if stretch.sound is not None:
                loop = self._loops[stretch.sound]
                block += (rise - next_rise) * loop[
                    (stretch.place_at(first) + n - first) % len(loop)
                ]
        while len(self._stretches) > 1 and rises[1][0] == 1.0:
            del self._stretches[0], rises[0]  # no longer heard
        return block

    def ending_at(self, end: int) -> "SwitchedLoop":
        """Let the stream be silent from ``end`` on, and return it."""
        self.samples = end
        self.hear(None)
        return self

    def _switch(self, first: int) -> None:
        sound, from_start = self._wanted
        if first < 0 or (sound == self._stretches[-1].sound and not from_start):
            return
        place = 0 if from_start else self._stretches[-1].place_at(first)
        self._stretches.append(_Stretch(first, sound, place))
        self._wanted = (sound, False)


def _loop(sound: Block) -> Block:
    """Fade the end into the beginning; the loop is that much shorter."""
    length = len(sound) - FADE_SAMPLES
    loop = np.array(sound[:length])  # as wide as it came: all of them may be an hour
    rise = raised_cosine(np.arange(FADE_SAMPLES), FADE_SAMPLES)
    loop[:FADE_SAMPLES] += (1.0 - rise) * (sound[length:] - loop[:FADE_SAMPLES])
    return loop
