"""Playing one level after another while somebody reads a scope."""

import threading
import time
from types import TracebackType
from typing import Self

from carrierfloor.cli.player import Player
from carrierfloor.cli.sound_devices import OUTPUT, check_output, choose, columns
from carrierfloor.dsp.errors import CarrierfloorError
from carrierfloor.dsp.signals import Ramped, Signal, Staircase

RATE_HZ = 48_000
RAMP_SAMPLES = 2400  # 50 ms
FREQUENCY_HZ = 1000.0
LOOK_S = 0.01


class LevelPlayer:
    """A sound device that holds a level until it is told another; use it in a ``with`` statement.

    Parameters
    ----------
    device : str
        As the user names it.
    channel : str
        ``both``, ``left``, ``right`` or a number.

    Raises
    ------
    CarrierfloorError
        If the device cannot be used.
    """

    def __init__(self, device: str, channel: str) -> None:
        self.device = choose(device, OUTPUT)
        self._opened, self._used = columns(self.device, OUTPUT, channel)
        check_output(self.device, self._opened, RATE_HZ)
        self._player: Player | None = None
        self._thread: threading.Thread | None = None
        self._error: CarrierfloorError | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._end()

    def hold(self, level_dbfs: float, *, uneven: bool = False) -> None:
        """Ramp down what is played, and play the tone of 1 kHz, or the uneven one, at a level.

        Raises
        ------
        CarrierfloorError
            If the device does not open, or failed meanwhile.
        """
        self.silence()
        self._player = Player(
            self.device,
            Ramped(
                signal=_tone(uneven=uneven),
                peak=float(10.0 ** (level_dbfs / 20.0)),
                ramp_samples=RAMP_SAMPLES,
                samples=None,
            ),
            sample_rate_hz=RATE_HZ,
            channels=self._opened,
            columns=self._used,
        )
        self._thread = threading.Thread(target=self._play, args=[self._player], daemon=True)
        self._thread.start()
        self._wait_for_sound()

    def silence(self) -> None:
        """Ramp down what is played.

        Raises
        ------
        CarrierfloorError
            If the device failed meanwhile.
        """
        self._end()
        if self._error is not None:
            raise self._error

    def _wait_for_sound(self) -> None:
        """Wait until the device has taken something; until then standard error is held shut."""
        assert self._player is not None
        assert self._thread is not None
        begin = self._player.position
        while self._thread.is_alive() and self._player.position == begin:
            time.sleep(LOOK_S)
        if self._error is not None:
            raise self._error

    def _end(self) -> None:
        if self._player is not None and self._thread is not None:
            self._player.stop()
            self._thread.join()
        self._player = self._thread = None

    def _play(self, player: Player) -> None:
        try:
            player.play()
        except CarrierfloorError as error:
            self._error = error


def _tone(*, uneven: bool) -> Signal:
    """Return one step of a staircase, which goes on for ever."""
    return Staircase(
        frequency_hz=FREQUENCY_HZ,
        sample_rate_hz=RATE_HZ,
        levels=(1.0,),
        hold_samples=1,
        glide_samples=1,
        uneven_step=0 if uneven else None,
    )
