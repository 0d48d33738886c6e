"""Private sound servers with virtual cables, for tests that play and record for real.

Each server lives in a folder and on a socket of its own and is ended by its process number.  A
cable carries what is played into one end to who records at the other.
"""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, ExitStack, contextmanager
from ctypes.util import find_library
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import pytest
import soundfile as sf
from numpy.typing import NDArray

Floats = NDArray[np.float32]

RATE_HZ = 48_000
STARTING_S = 20.0  # patience for a server on a busy machine
ENDING_S = 5.0
LEAD_S = 0.5  # silence ahead of a sound: PulseAudio was seen to swallow the first 0.15 s
REQUIRE = "CARRIERFLOOR_REQUIRE_AUDIO"  # set: a test without its server fails instead of skipping
BESIDE_OTHERS = "PYTEST_XDIST_WORKER"  # set by pytest-xdist: other tests run at the same time
CABLES = ("cable_a", "cable_b")
ASOUND = "</usr/share/alsa/alsa.conf>\n" + "".join(
    f'pcm.{cable}_{end} {{ type pulse device {device} hint {{ show on description "{cable}" }} }}\n'
    for cable in CABLES
    for end, device in (("out", cable), ("mon", f"{cable}.monitor"))
)


def need(*programs: str) -> None:
    """Skip the test, or fail it where audio is required, if PortAudio or a program is missing."""
    if BESIDE_OTHERS in os.environ:
        pytest.fail("sound must not stutter: run this with -m device, and mark it so if it is not")
    missing = [name for name in ("setpriv", *programs) if shutil.which(name) is None]
    if find_library("portaudio") is None:
        missing.append("the PortAudio library")
    if sys.platform != "linux":
        missing.append("Linux")
    if not missing:
        return
    reason = f"needs {', '.join(missing)}"
    if os.environ.get(REQUIRE):
        pytest.fail(f"{reason}, and {REQUIRE} is set")
    pytest.skip(reason)


def wait_for(ready: Callable[[], bool], what: str, patience_s: float = STARTING_S) -> None:
    """Wait until something is so."""
    deadline = time.monotonic() + patience_s
    while not ready():
        assert time.monotonic() < deadline, f"{what}: not within {patience_s:g} s"
        time.sleep(0.05)


@contextmanager
def running(
    arguments: list[str], environment: Mapping[str, str], log: Path
) -> Iterator[subprocess.Popen[bytes]]:
    """Run a program until the block ends, then end it by its number.

    It also ends with this process, should that be killed.
    """
    with log.open("wb") as file:
        process = subprocess.Popen(
            ["setpriv", "--pdeathsig", "TERM", *arguments],
            env=dict(environment),
            stdout=file,
            stderr=subprocess.STDOUT,
        )
        try:
            yield process
        finally:
            stop(process)


def stop(process: subprocess.Popen[bytes]) -> None:
    """End a process, by force if need be."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(ENDING_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(ENDING_S)


@dataclass
class Recording:
    """A recorder at the far end of a cable; ``samples`` once it has ended."""

    file: Path
    channels: int

    @property
    def samples(self) -> Floats:
        """What was recorded, shape (n, channels)."""
        raw = np.fromfile(self.file, np.float32)
        return raw[: len(raw) // self.channels * self.channels].reshape(-1, self.channels)


def _both_channels(sound: Floats | Path) -> Floats:
    if isinstance(sound, Path):
        samples, rate_hz = sf.read(sound, dtype="float32")
        assert rate_hz == RATE_HZ
    else:
        samples = sound.astype(np.float32)
    return np.column_stack((samples, samples)) if samples.ndim == 1 else samples


class Server(ABC):
    """A running sound server; ``environment`` leads a program to it."""

    environment: dict[str, str]
    process: subprocess.Popen[bytes]
    folder: Path

    def __init__(self) -> None:
        self._stack = ExitStack()
        self._recordings = 0

    def __enter__(self) -> Self:
        self.folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory()))
        own = {"XDG_RUNTIME_DIR": str(self.folder), "HOME": str(self.folder)}
        cache = os.environ.get("NUMBA_CACHE_DIR", str(Path.home() / ".cache" / "carrierfloor"))
        self.environment = {**os.environ, **own, "NUMBA_CACHE_DIR": cache}
        try:
            self._start()
        except BaseException:
            self._stack.close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is not None:
            logs = "".join(log.read_text("utf-8", "replace") for log in self.folder.glob("*.log"))
            print(f"the sound server ended with {self.process.returncode}; all logs:\n{logs}")
        self._stack.close()

    @abstractmethod
    def _start(self) -> None: ...

    def kill(self) -> None:
        """End the server as a crash would."""
        self.process.kill()
        self.process.wait(ENDING_S)

    def start_again(self) -> None:
        """Start the server anew, under the same name, after :meth:`kill`."""
        self._start()

    @abstractmethod
    def recording(self, cable: str) -> AbstractContextManager[Recording]:
        """Record the far end of a cable while the block runs."""

    @contextmanager
    def talker(self, cable: str, sound: Floats | Path) -> Iterator[subprocess.Popen[bytes]]:
        """Play silence and a sound into a cable, exactly as it is, while the block runs.

        The program that plays ends by itself once all is played.

        Parameters
        ----------
        cable : str
            Where to.
        sound : ndarray of float32 or Path
            Shape (n,) for both channels or (n, 2); or a sound file of 48 kHz.
        """
        file = self._fresh_file(cable)
        lead = np.zeros((round(LEAD_S * RATE_HZ), 2), np.float32)
        np.concatenate((lead, _both_channels(sound))).tofile(file)
        log = file.with_suffix(".log")
        with running(self._talking(cable, file), self.environment, log) as process:
            yield process
            assert process.poll() in (None, 0), log.read_text()

    @abstractmethod
    def _talking(self, cable: str, file: Path) -> list[str]:
        """Return the command that plays a file of raw stereo samples."""

    def _run(self, name: str, *arguments: str) -> subprocess.Popen[bytes]:
        log = self.folder / f"{name}.log"
        return self._stack.enter_context(running(list(arguments), self.environment, log))

    def _fresh_file(self, cable: str) -> Path:
        self._recordings += 1
        return self.folder / f"{cable}-{self._recordings}.raw"

    def _answers(self, *arguments: str) -> bool:
        done = subprocess.run(arguments, env=self.environment, capture_output=True, check=False)
        return done.returncode == 0


def _pulse_cable(cable: str) -> str:
    return f"module-null-sink sink_name={cable} rate={RATE_HZ} channels=2 format=float32le"


class PulseServer(Server):
    """PulseAudio with two cables, seen by PortAudio through ALSA; it keeps the time of the clock.

    Devices: ``cable_a_out``, ``cable_a_mon`` (its far end), the same for b, pulse and default.
    """

    def _start(self) -> None:
        need("pulseaudio", "pactl", "parec", "pacat")
        self.folder.chmod(0o700)
        socket = self.folder / "native"
        configuration = self.folder / "asound.conf"
        configuration.write_text(ASOUND)
        self.environment |= {
            "PULSE_RUNTIME_PATH": str(self.folder),
            "PULSE_STATE_PATH": str(self.folder),
            "PULSE_SERVER": f"unix:{socket}",
            "ALSA_CONFIG_PATH": str(configuration),
            "JACK_NO_START_SERVER": "1",
        }
        modules = [f"module-native-protocol-unix socket={socket} auth-anonymous=1"]
        modules += [_pulse_cable(cable) for cable in CABLES]
        self.process = self._run(
            "pulseaudio", "pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no",
            "--exit-idle-time=-1", "--system=no", "--disallow-exit",
            *(word for module in modules for word in ("-L", module)),
        )  # fmt: skip
        wait_for(lambda: self._answers("pactl", "info"), "pulseaudio")

    def unload(self, device: str) -> None:
        """Take a cable, or another device, away, as when a sound card is pulled out."""
        listing = self._pactl("list", "short", "modules").splitlines()
        (number,) = (line.split()[0] for line in listing if f"_name={device} " in line)
        self._pactl("unload-module", number)

    def load_module(self, *words: str) -> None:
        """Add a device of another kind."""
        self._pactl("load-module", *words)

    def prefer_source(self, source: str) -> None:
        """Choose the default source; streams stay there when others come."""
        self._pactl("set-default-source", source)

    def load(self, cable: str) -> None:
        """Bring a cable back."""
        self._pactl("load-module", *_pulse_cable(cable).split())

    def _pactl(self, *arguments: str) -> str:
        return subprocess.run(
            ["pactl", *arguments],
            env=self.environment,
            capture_output=True,
            text=True,
            check=True,
            timeout=STARTING_S,
        ).stdout

    @contextmanager
    def recording(self, cable: str) -> Iterator[Recording]:
        """Record the far end of a cable while the block runs."""
        file = self._fresh_file(cable)
        arguments = [
            "parec", "--raw", "--format=float32le", f"--rate={RATE_HZ}", "--channels=2",
            "--latency-msec=50", f"--device={cable}.monitor", str(file),
        ]  # fmt: skip
        with running(arguments, self.environment, self.folder / "parec.log"):
            wait_for(lambda: file.exists() and file.stat().st_size > 0, "parec")
            yield Recording(file, 2)
            time.sleep(0.3)  # for what is still on its way

    def _talking(self, cable: str, file: Path) -> list[str]:
        return [
            "pacat", "--playback", "--raw", "--format=float32le", f"--rate={RATE_HZ}",
            "--channels=2", "--latency-msec=50", f"--device={cable}", str(file),
        ]  # fmt: skip


class JackServer(Server):
    """JACK with two cables; nothing is ever lost, and there is one sample rate.

    Devices: ``cable_a`` and ``cable_b``: outputs lead in, inputs are the far end.

    Parameters
    ----------
    period : int
        Frames that move at once.
    """

    def __init__(self, period: int = 256) -> None:
        super().__init__()
        self._period = period

    def _start(self) -> None:
        need("jackd", "jack_thru", "jack_lsp", "jack_disconnect")
        name = self.folder.name
        self._stack.callback(self._clean_up)  # once all have ended
        self.environment |= {
            "JACK_DEFAULT_SERVER": name,
            "JACK_NO_AUDIO_RESERVATION": "1",
            "JACK_NO_START_SERVER": "1",
        }
        self.process = self._jackd()
        self._wait_for_jackd()
        for cable in CABLES:
            self._run(cable, "jack_thru", cable, name)
            self._wait_until_connected(f"{cable}:output_2")
            for number in "12":
                self._answers(
                    "jack_disconnect", f"system:capture_{number}", f"{cable}:input_{number}"
                )
                self._answers(
                    "jack_disconnect", f"{cable}:output_{number}", f"system:playback_{number}"
                )

    def _jackd(self) -> subprocess.Popen[bytes]:
        return self._run(
            "jackd", "jackd", "-n", self.folder.name, "-r", "-S", "--port-max", "64",
            "-d", "dummy", "-r", str(RATE_HZ), "-p", str(self._period),
        )  # fmt: skip

    def _wait_for_jackd(self) -> None:
        wait_for(lambda: self._answers("jack_lsp"), "jackd")

    def _clean_up(self) -> None:
        """Free what a killed server keeps.

        JACK knows eight servers at most, and a killed one counts until a server of the same name
        has come and gone properly.
        """
        if self.process.returncode == -signal.SIGKILL:
            with ExitStack() as self._stack:
                self._jackd()
                self._wait_for_jackd()
        for file in Path("/dev/shm").glob(f"jack*{self.folder.name}*"):
            file.unlink(missing_ok=True)

    def _wait_until_connected(self, port: str) -> None:
        """Wait for jack_thru, which connects itself to the system's ports, this one last."""

        def is_connected() -> bool:
            listing = subprocess.run(
                ["jack_lsp", "-c", port], env=self.environment, capture_output=True, check=False
            )
            return b"system:playback" in listing.stdout

        wait_for(is_connected, port)

    @contextmanager
    def recording(self, cable: str) -> Iterator[Recording]:
        """Record the far end of a cable while the block runs."""
        file = self._fresh_file(cable)
        arguments = [sys.executable, "-m", "tests.listener", cable, str(file)]
        with running(arguments, self.environment, self.folder / "listener.log") as listener:
            wait_for(lambda: file.exists() and file.stat().st_size > 0, "listener")
            yield Recording(file, 2)
            assert listener.poll() is None, (self.folder / "listener.log").read_text()
            time.sleep(0.3)

    def _talking(self, cable: str, file: Path) -> list[str]:
        return [sys.executable, "-m", "tests.talker", cable, str(file)]
