"""``compare --play``: the versions of a phrase on a sound device, switched by keys."""

import itertools

from rich.live import Live
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.compare_content import Content
from carrierfloor.cli.compare_page import POINT_WORDS
from carrierfloor.cli.keyboard import Keyboard
from carrierfloor.cli.player import Player
from carrierfloor.cli.screen import QUIET
from carrierfloor.cli.sound_devices import OUTPUT, Device, check_output, choose, columns
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ
from carrierfloor.dsp.switched_loop import SwitchedLoop

RATE_HZ = round(SAMPLE_RATE_HZ)
KEYS = (
    "keys: 1 to 9 version; c, a, r where it is heard, l the next of these; n next phrase; "
    "space pause; q quit"
)
QUIT = ("q", "escape")
LOOKS_A_LINE = 5  # at the keys, for each time that the line is drawn


class _QuickPlayer(Player):
    look_s = 0.02  # between two looks at the keys


def output_device(name: str) -> Device:
    """Return the device that a user means, before any work.

    Raises
    ------
    CarrierfloorError
        If it cannot be used, or there are no keys to play by.
    """
    with Keyboard() as keyboard:
        if not keyboard.is_on:
            raise SettingError("--play is steered by keys; run it in a terminal, or use --page")
    device = choose(name, OUTPUT)
    opened, _ = columns(device, OUTPUT, "both")
    check_output(device, opened, RATE_HZ)
    return device


def play(content: Content, device: Device) -> None:
    """Play until the user quits.

    Raises
    ------
    DeviceError
        If the device fails.
    """
    deck = Deck(content)
    opened, used = columns(device, OUTPUT, "both")
    player = _QuickPlayer(device, deck.loop, sample_rate_hz=RATE_HZ, channels=opened, columns=used)
    remarks = screen.remarks()
    remarks.print(Text(f"Playing on {device}; {KEYS}", style=QUIET), soft_wrap=False)
    looks = itertools.count()
    with Keyboard() as keyboard, Live(console=screen.results(), auto_refresh=False) as line:

        def look(position: int) -> None:
            keys = keyboard.pressed()
            for key in keys:
                if key in QUIT:
                    player.stop()
                else:
                    deck.press(key)
            if keys or next(looks) % LOOKS_A_LINE == 0:
                line.update(deck.line(position, line.console.width), refresh=True)

        player.play(look)
    if player.gaps:
        remarks.print(Text(f"Note: the device ran dry {player.gaps} times.", style="yellow"))


class Deck:
    """What is heard now, and what keys change about it.

    Attributes
    ----------
    loop : SwitchedLoop
        What the player plays.
    """

    def __init__(self, content: Content) -> None:
        self._content = content
        self._phrase, self._point, self._version, self._is_paused = 0, 0, 0, False
        self._letters = [point[0] for point in content.points]  # as on the page
        self._places = [
            (phrase, version, point)
            for phrase in range(len(content.phrases))
            for version in range(len(content.phrases[0].versions))
            for point in range(len(content.points))
        ]
        self.loop = SwitchedLoop(
            [
                content.phrases[phrase].versions[version].tracks[content.points[point]].samples
                for phrase, version, point in self._places
            ]
        )
        self._hear()

    def press(self, key: str) -> None:
        """Do what a key stands for; others do nothing."""
        count = len(self._content.phrases[0].versions)
        if key.isdecimal() and 1 <= int(key) <= count:
            self._version = int(key) - 1
        elif key in self._letters:
            self._point = self._letters.index(key)
        elif key == "l":
            self._point = (self._point + 1) % len(self._content.points)
        elif key == "space":
            self._is_paused = not self._is_paused
        elif key == "n" and len(self._content.phrases) > 1:
            self._phrase = (self._phrase + 1) % len(self._content.phrases)
            self._hear(from_start=True)
            return
        self._hear()

    def line(self, position: int, width: int) -> Text:
        """Say what is heard at a sample of the stream, in lines of a width in characters."""
        phrase = self._content.phrases[self._phrase]
        point = self._content.points[self._point]
        length_s = len(phrase.versions[0].tracks[point].samples) / RATE_HZ
        words = [
            Text(f" {key} {version.name} ", "bold reverse" if key == self._version + 1 else QUIET)
            for key, version in enumerate(phrase.versions, 1)
        ]
        lines = Text("" if sum(map(len, words)) <= width else "\n").join(words)
        at_s = self.loop.place(position) / RATE_HZ
        state = "paused" if self._is_paused else "playing"
        lines.append(f"\n {POINT_WORDS[point]}, {state} {phrase.name}, ")
        lines.append(f"{at_s:.1f} of {length_s:.1f} s")
        return lines

    def _hear(self, *, from_start: bool = False) -> None:
        place = self._places.index((self._phrase, self._version, self._point))
        self.loop.hear(None if self._is_paused else place, from_start=from_start)
