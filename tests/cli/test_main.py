"""The frame of the command line: help, version, exit status, pipes."""

import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

from carrierfloor import presets
from carrierfloor.cli import predict_report, report_keys
from tests.cli.files import command, in_other_process, run, write_sound
from tests.clips import sound

Capsys = pytest.CaptureFixture[str]


def assert_runs(script: str) -> None:
    """Run Python code that leaves with words if something is wrong."""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_help_names_the_commands() -> None:
    done = in_other_process("--help")
    assert done.returncode == 0
    assert all(f"\n    {name} " in done.stdout for name in ("process", "predict", "live", "tone"))


def test_help_imports_nothing_slow() -> None:
    script = (
        "import sys; from carrierfloor.cli.parser import build_parser; build_parser()\n"
        "slow = {'numpy', 'numba', 'scipy', 'soundfile', 'matplotlib', 'rich'}\n"
        "sys.exit(' '.join(slow & set(sys.modules)) or 0)"
    )
    assert_runs(script)


def test_process_needs_no_sound_device_nor_pictures() -> None:
    script = (
        "import sys; import carrierfloor.cli.process, carrierfloor.cli.batch\n"
        "sys.exit(' '.join({'sounddevice', 'matplotlib'} & set(sys.modules)) or 0)"
    )
    assert_runs(script)


def test_help_names_the_defaults(capsys: Capsys) -> None:
    assert run("process", "--help") == 0
    out = " ".join(capsys.readouterr().out.split())
    assert f"({presets.DEFAULT_VOICE})" in out
    assert f"({presets.DEFAULT_RIG})" in out


@pytest.mark.parametrize("name", ["process", "predict", "figures", "voices", "rigs"])
def test_every_command_has_help(name: str, capsys: Capsys) -> None:
    assert run(name, "--help") == 0
    assert capsys.readouterr().out.startswith(f"usage: carrierfloor {name}")


def test_keys_of_the_reports_are_listed(capsys: Capsys) -> None:
    for name, keys in (("process", report_keys.KEYS), ("predict", predict_report.KEYS)):
        assert run(name, "--report-keys") == 0
        out = capsys.readouterr().out
        assert all(key in out for key in keys)


def test_no_command_shows_the_help(capsys: Capsys) -> None:
    assert run() == 0
    assert "commands" in capsys.readouterr().out


def test_version(capsys: Capsys) -> None:
    assert run("--version") == 0
    assert capsys.readouterr().out.strip() == version("carrierfloor")


def test_unknown_command(capsys: Capsys) -> None:
    assert run("transmit") == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "invalid choice: 'transmit'" in err


@pytest.mark.skipif(sys.platform == "win32", reason="pipes are different there")
@pytest.mark.parametrize("name", [["process", "in.wav", "out.wav"], ["tone", "two-tone"]])
def test_an_unknown_option_names_the_help_that_has_the_others(
    name: list[str], capsys: Capsys
) -> None:
    assert run(*name, "--duration", "4") == 2
    where = " ".join(["carrierfloor", *(word for word in name if "." not in word)])
    error = capsys.readouterr().err
    assert error == f"{where}: unrecognized arguments: --duration 4; see {where} --help\n"


def test_a_reader_that_stops_early_is_no_error() -> None:
    """As in ``carrierfloor voices keys | head -1``."""
    with subprocess.Popen(
        command("voices", "keys"), stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        process.wait()
    assert process.returncode == 0


@pytest.mark.skipif(sys.platform == "win32", reason="pipes are different there")
@pytest.mark.parametrize(
    ("name", "options", "wanted"),
    [
        ("compare", "--with everyday --with bypass --page page.html", "page.html"),
        ("study", "--voices bypass --carrier-to-noise 0 --out t.csv --plots p", "p/price.png"),
    ],
)
def test_a_reader_that_stops_early_gets_the_files(
    name: str, options: str, wanted: str, tmp_path: Path
) -> None:
    """What was asked for is written before anybody can stop reading the figures."""
    write_sound(tmp_path / "phrase.wav", sound("F1_harvard_phrases")[24_000:60_000])
    with subprocess.Popen(
        command(name, "phrase.wav", *options.split()), stdout=subprocess.PIPE, cwd=tmp_path
    ) as process:
        assert process.stdout is not None
        process.stdout.close()
        process.wait()
    assert process.returncode == 0
    assert (tmp_path / wanted).is_file()
