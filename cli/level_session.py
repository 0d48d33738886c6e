"""Asking for readings: one level after another is played, crest and trough are typed in."""

import sys
from typing import TYPE_CHECKING

from rich.text import Text

from carrierfloor.cli import level_view, screen
from carrierfloor.cli.level_player import LevelPlayer
from carrierfloor.cli.level_report import heights
from carrierfloor.cli.tone import CAUTION
from carrierfloor.cli.whole_table import print_whole
from carrierfloor.dsp.envelope_reading import EnvelopeReading
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.level_fit import LevelFit, fit_level
from carrierfloor.dsp.level_steps import next_level_dbfs, uneven_level_dbfs
from carrierfloor.dsp.rig import Rig

if TYPE_CHECKING:
    from carrierfloor.cli.level_scope import ScopeOptions

HELP = (
    "Heights are in any one unit: divisions, volts, peak or peak to peak. On the trapezoid the\n"
    "long side is the crest, the short one the trough; the carrier is its height without tone.\n"
    "Type: CREST TROUGH, such as 5.6 2.4   Enter: skip this step   b: back to the one before\n"
    "      c CARRIER: another height of the carrier   q: enough   Ctrl-C: stop, change nothing"
)
CLOSED = 0.985  # a trough so deep on a scope is cut-off: no step beyond is of use


class LevelSession:
    """One run through the steps.

    Parameters
    ----------
    options : ScopeOptions
        The device, the carrier's height if given, the error of a reading.
    rig : Rig
        For its negative limit.
    """

    def __init__(self, options: "ScopeOptions", rig: Rig) -> None:
        self._options = options
        self._limit = rig.modulation.negative_limit_pct / 100.0
        self._remarks, self._results = screen.remarks(), screen.results()
        self._readings: list[EnvelopeReading] = []
        self._carrier = options.carrier

    def run(self) -> tuple[list[EnvelopeReading], EnvelopeReading | None]:
        """Play and ask; return the readings, and the one of the uneven step.

        Raises
        ------
        CarrierfloorError
            If the device cannot be used.
        """
        assert self._options.output is not None
        with LevelPlayer(self._options.output, self._options.channel) as player:
            self._remarks.print("\n".join(CAUTION), style="bold yellow")
            self._remarks.print(Text(f"Playing on {player.device}.\n{HELP}", style="dim"))
            self._ask_carrier()
            self._steps(player)
            return self._readings, self._uneven(player)

    def _ask_carrier(self) -> None:
        while self._carrier is None:
            answer = self._ask("Key the transmitter, no tone is played. Height of the carrier: ")
            if answer is None:
                raise SettingError("no height of the carrier was given")
            self._carrier = _positive(answer)
            if self._carrier is None:
                self._say("give one number above 0")

    def _steps(self, player: LevelPlayer) -> None:
        level = next_level_dbfs(None, self._readings, self._limit)
        played: list[float] = []
        while level is not None:
            player.hold(level)
            done = self._ask_reading(f"{level:6.1f} dBFS. CREST TROUGH: ", level)
            if done == "q":
                break
            if done == "b" and played:
                level = played.pop()
                self._readings = [one for one in self._readings if one.level_dbfs < level]
                continue
            if done == "b":
                continue
            played.append(level)
            self._show()
            if self._readings and self._readings[-1].negative >= CLOSED:
                self._say("The carrier is cut off: no step beyond this is of use.")
                break
            level = next_level_dbfs(level, self._readings, self._limit)
        player.silence()

    def _ask_reading(self, prompt: str, level_dbfs: float) -> str:
        """Ask until there is a reading, which is kept, or a word; Enter is an empty one."""
        while True:
            answer = self._ask(prompt)
            if answer is None or answer in ("q", "b", ""):
                return "q" if answer is None else answer
            if answer.startswith("c"):
                self._carrier = _positive(answer[1:]) or self._carrier
                self._say(f"carrier: {self._carrier:g}")
                continue
            reading = self._understood(answer, level_dbfs)
            if reading is not None:
                self._readings.append(reading)
                return "reading"

    def _understood(self, answer: str, level_dbfs: float) -> EnvelopeReading | None:
        from carrierfloor.cli.level_scope import checked

        numbers = answer.replace(",", ".").split()
        try:
            crest, trough = (float(number) for number in numbers)
        except ValueError:
            self._say("give two numbers, crest and trough, with a blank in between")
            return None
        assert self._carrier is not None
        try:
            return checked(level_dbfs, crest, trough, self._carrier, self._options.error)
        except SettingError as error:
            self._say(str(error))
            return None

    def _show(self) -> None:
        """Show the readings so far and the level they give."""
        if not self._readings:
            return
        rows = [heights(one) for one in self._readings]
        print_whole(level_view.readings_table(rows, as_typed=True), self._results)
        fit = self._fit()
        if fit is not None:
            self._results.print(
                level_view.verdict(fit.full_modulation_dbfs, fit.error_db, fit.error_pct)
            )
        self._results.print()

    def _fit(self) -> LevelFit | None:
        try:
            return fit_level(self._readings, self._limit)
        except AudioError:
            return None  # not yet

    def _uneven(self, player: LevelPlayer) -> EnvelopeReading | None:
        """Play the signal that tells the polarity, and ask for it."""
        fit = self._fit()
        if fit is None:
            return None
        level = uneven_level_dbfs(fit.full_modulation_dbfs, self._limit)
        player.hold(level, uneven=True)
        self._say("Now an uneven signal: it tells the polarity.")
        before = len(self._readings)
        self._ask_reading(f"{level:6.1f} dBFS. CREST TROUGH: ", level)
        player.silence()
        return self._readings.pop() if len(self._readings) > before else None

    def _ask(self, prompt: str) -> str | None:
        """Return a line typed in, ``None`` at the end of the input."""
        self._remarks.print(Text(prompt), end="")
        line = sys.stdin.readline()
        return line.strip() if line else None

    def _say(self, words: str) -> None:
        self._remarks.print(Text(words, style=screen.NOTE))


def _positive(answer: str) -> float | None:
    """Return a number above 0, ``None`` if it is none."""
    try:
        number = float(answer.replace(",", "."))
    except ValueError:
        return None
    return number if 0.0 < number < float("inf") else None
