"""Demodulation: from a recording at radio frequency to the carrier's envelope, in constant memory.

The carrier is looked for, mixed down to zero and followed; what lies around it comes through a
flat linear-phase low-pass to 48 kHz.  Cutting the recording into blocks differently changes
nothing: inside, it is cut into frames of 20 ms.
"""

import numpy as np

from carrierfloor.dsp.carrier_channel import CarrierChannel
from carrierfloor.dsp.carrier_phase import Demodulated
from carrierfloor.dsp.carrier_search import Samples, find_carrier
from carrierfloor.dsp.carrier_track import CarrierTrack
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8000.0, 4e6
FRAME_S = 0.02
SEARCH_FRAMES = 12  # looked at for a carrier
PATIENCE_FRAMES = 30  # without a carrier before it is looked for again
HALF_WIDTH_HZ = 8000.0  # on each side of the carrier
NARROWEST_HZ, WIDEST_HZ = 1500.0, 18_000.0  # half widths that are of use and fit into 48 kHz
TRANSITION = 1.25  # from the half width to where the low-pass has its full attenuation
HINT_WITHIN_HZ = 2000.0  # how far a carrier may be from where it was said to be
DRIFT_WITHIN_HZ = 100.0  # of the carrier in either half of what is searched
LOWEST_IF_HZ = 1000.0  # of a carrier in a real recording; below it there is hum


class Demodulator:
    """A demodulator for a stream of blocks.

    Sample k of what comes out lies at the time k / 48000 s of the recording.

    Parameters
    ----------
    sample_rate_hz : float
        Of the recording: 8 kHz to 4 MHz.
    is_complex : bool
        True for IQ; false for a real recording with the carrier at a low frequency.
    half_width_hz : float
        What is wanted on each side of the carrier.
    carrier_hz : float, optional
        Where about the carrier lies, from the recording's middle for IQ; it is found otherwise.

    Attributes
    ----------
    track : CarrierTrack
        Where the carrier was.
    half_width_hz : float
        What is passed on each side of the carrier, at most 0.1 dB down: less than what was wanted
        if the recorded band ends there.

    Raises
    ------
    SettingError
        If a parameter is out of range.
    """

    def __init__(
        self,
        sample_rate_hz: float,
        *,
        is_complex: bool,
        half_width_hz: float = HALF_WIDTH_HZ,
        carrier_hz: float | None = None,
    ) -> None:
        _check("sample rate", sample_rate_hz, LOWEST_RATE_HZ, HIGHEST_RATE_HZ)
        _check("half width", half_width_hz, NARROWEST_HZ, WIDEST_HZ)
        top_hz = sample_rate_hz / 2.0
        if carrier_hz is not None:
            _check("carrier", carrier_hz, -top_hz if is_complex else 0.0, top_hz)
        self.track = CarrierTrack()
        self.half_width_hz = half_width_hz
        self._rate_hz, self._complex, self._hint_hz = sample_rate_hz, is_complex, carrier_hz
        self._frame = round(FRAME_S * sample_rate_hz)
        self._waiting = np.zeros(0, dtype=np.complex128 if is_complex else np.float64)
        self._blocks: list[Samples] = []  # behind those, not yet joined
        self._taken = self._skipped = 0  # samples that came in, and those before any carrier
        self._fed = 0  # samples that went into the channel
        self._given = 0  # samples that went out
        self._searching, self._without = True, 0  # frames without a carrier
        self._channel: CarrierChannel | None = None

    def process(self, block: Samples) -> Demodulated:
        """Take the next samples of the recording, shape (n,), any n; return those that are ready.

        Raises
        ------
        AudioError
            If the carrier is so near the end of the recorded band that no signal fits.
        """
        self._taken += len(block)
        self._blocks.append(np.array(block, self._waiting.dtype))
        parts = []
        if len(self._waiting) + sum(map(len, self._blocks)) >= self._needed:
            self._join()
            while len(self._waiting) >= self._needed:
                parts += self._search() if self._searching else self._step()
        return self._count(Demodulated.joined(parts))

    def finish(self) -> Demodulated:
        """Return the rest; all in all as much time as the recording holds."""
        self._join()
        parts = []
        if self._searching and len(self._waiting) >= self._frame:
            parts += self._search()
        while len(self._waiting) >= self._frame and self._channel is not None:
            parts += self._step()
        if self._channel is not None:
            parts.append(self._channel.process(self._waiting, self._channel.mixer.frequency_hz))
            parts.append(self._channel.finish())
        wanted = round(self._taken * SAMPLE_RATE_HZ / self._rate_hz) - self._given
        rest = Demodulated.joined(parts)[:wanted]
        return self._count(Demodulated.joined([rest, Demodulated.nothing(wanted - len(rest))]))

    @property
    def _needed(self) -> int:
        """Samples for the next thing to do."""
        return self._frame * (SEARCH_FRAMES if self._searching else 1)

    def _join(self) -> None:
        self._waiting = np.concatenate([self._waiting, *self._blocks])
        self._blocks = []

    def _count(self, ready: Demodulated) -> Demodulated:
        self._given += len(ready)
        return ready

    def _search(self) -> list[Demodulated]:
        """Look for a carrier in what is waiting; without one go past it."""
        stretch = self._waiting[: self._frame * SEARCH_FRAMES]
        line = find_carrier(stretch, self._rate_hz, *self._where())
        if line is not None:
            self._searching, self._without = False, 0
            drift_hz_per_s = self._drift(stretch, line.frequency_hz)
            length_s = len(stretch) / self._rate_hz
            begin_hz = line.frequency_hz - 0.5 * length_s * drift_hz_per_s
            self.track.begin(self._time_s(self._fed), begin_hz, drift_hz_per_s)
            if self._channel is not None:
                self._channel.mixer.jump(begin_hz)
                return []
            self._channel = self._tuned_to(begin_hz)
            return [Demodulated.nothing(round(self._skipped * SAMPLE_RATE_HZ / self._rate_hz))]
        if self._channel is None:
            self._skipped += len(stretch)
            self._waiting = self._waiting[len(stretch) :]
            return []
        return [part for _ in range(len(stretch) // self._frame) for part in self._step()]

    def _where(self) -> tuple[float, float]:
        top_hz = self._rate_hz / 2.0
        lowest_hz, highest_hz = (-top_hz if self._complex else LOWEST_IF_HZ), top_hz
        if self._hint_hz is None:
            return lowest_hz, highest_hz
        within = self._hint_hz - HINT_WITHIN_HZ, self._hint_hz + HINT_WITHIN_HZ
        return max(lowest_hz, within[0]), min(highest_hz, within[1])

    def _drift(self, stretch: Samples, carrier_hz: float) -> float:
        """Return the slope between the carrier's places in both halves of a stretch, in Hz/s."""
        half = len(stretch) // 2
        near = carrier_hz - DRIFT_WITHIN_HZ, carrier_hz + DRIFT_WITHIN_HZ
        early = find_carrier(stretch[:half], self._rate_hz, *near)
        late = find_carrier(stretch[half:], self._rate_hz, *near)
        if early is None or late is None:
            return 0.0
        return (late.frequency_hz - early.frequency_hz) * self._rate_hz / half

    def _tuned_to(self, carrier_hz: float) -> CarrierChannel:
        """Return a channel as wide as wanted, or as the recorded band allows."""
        room_hz = self._rate_hz / 2.0 - abs(carrier_hz)
        if not self._complex:  # the other half of a real signal begins at minus its frequency
            room_hz = min(room_hz, carrier_hz)
        stop_hz = min(TRANSITION * self.half_width_hz, room_hz)
        self.half_width_hz = stop_hz / TRANSITION
        if self.half_width_hz < NARROWEST_HZ:
            raise AudioError(
                f"the carrier is at {carrier_hz:.0f} Hz, {room_hz:.0f} Hz from the end of the "
                f"recorded band; it must be {TRANSITION * NARROWEST_HZ:.0f} Hz at least: tune the "
                "receiver so that the carrier lies further inside, or give the right kind if the "
                "recording is demodulated"
            )
        return CarrierChannel(
            self._rate_hz,
            is_complex=self._complex,
            carrier_hz=carrier_hz,
            pass_hz=self.half_width_hz,
            stop_hz=stop_hz,
        )

    def _step(self) -> list[Demodulated]:
        """Run one frame and follow the carrier."""
        assert self._channel is not None
        channel = self._channel
        frame, self._waiting = self._waiting[: self._frame], self._waiting[self._frame :]
        before = channel.position
        ready = channel.process(frame, self._aim(channel, len(frame)))
        self._fed += len(frame)
        if channel.position > before:
            self._without = 0 if channel.is_locked else self._without + 1
            if channel.is_locked:
                self.track.add(self._time_s(channel.position), channel.carrier_hz)
        self._searching = self._without > PATIENCE_FRAMES
        return [ready]

    def _aim(self, channel: CarrierChannel, samples: int) -> float:
        """Return where the carrier will be after the next samples."""
        if self._without:
            return channel.mixer.frequency_hz
        return self.track.expected_hz(self._time_s(self._fed + samples))

    def _time_s(self, position: float) -> float:
        """Return the time of a sample counted from the channel's first."""
        return (self._skipped + position) / self._rate_hz


def _check(what: str, value: float, lowest: float, highest: float) -> None:
    if not lowest <= value <= highest:
        raise SettingError(f"{what} is {value:g} Hz; it must be {lowest:.10g} to {highest:.10g} Hz")
