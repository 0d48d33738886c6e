"""Compiled kernels on disk never outlive a change of their sources.

numba keys its cache on the file of the function that was called; a compiled function that this
one calls from *another* file may change unnoticed.  The folder's name carries a digest of both.
"""

import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import cast

import carrierfloor.dsp.kernel as kernel_module

INNER = """
from kernels.kernel import kernel

@kernel
def inner(x):
    return {factor} * x
"""

OUTER = """
from kernels.kernel import kernel
from kernels.inner import inner

@kernel
def outer(x):
    return inner(x) + 1.0
"""


def write_package(folder: Path, factor: float) -> None:
    """Write two kernels, one calling the other from another file, around our own decorator."""
    package = folder / "kernels"
    package.mkdir(exist_ok=True)
    (package / "__init__.py").touch()
    shutil.copy(str(kernel_module.__file__), package / "kernel.py")
    (package / "inner.py").write_text(INNER.format(factor=factor))
    (package / "outer.py").write_text(OUTER)


def call_outer(folder: Path) -> tuple[float, int, int]:
    """Return outer(10) of a fresh interpreter, and its hits and misses in the cache."""
    code = (
        "from kernels.outer import outer; y = outer(10.0); s = outer.stats; "
        "print(y, sum(s.cache_hits.values()), sum(s.cache_misses.values()))"
    )
    environment = {
        **os.environ,
        "PYTHONPATH": str(folder),
        "NUMBA_CACHE_DIR": str(folder / "cache"),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    value, hits, misses = done.stdout.split()
    return float(value), int(hits), int(misses)


def test_change_in_another_file_is_noticed(tmp_path: Path) -> None:
    write_package(tmp_path, factor=2.0)
    assert call_outer(tmp_path) == (21.0, 0, 1)
    assert call_outer(tmp_path) == (21.0, 1, 0)  # the cache works at all
    write_package(tmp_path, factor=3.0)
    assert call_outer(tmp_path) == (31.0, 0, 1)


def test_nothing_is_written_beside_the_sources(tmp_path: Path) -> None:
    """A leftover in the package would hide a later editable install."""
    write_package(tmp_path, factor=2.0)
    call_outer(tmp_path)
    assert not list((tmp_path / "kernels").rglob("*.nb?"))
    assert list((tmp_path / "cache").rglob("*.nbc"))


def test_starts_where_nothing_can_be_written(tmp_path: Path) -> None:
    """The folder for the cache is a file: kernels are compiled at every start."""
    write_package(tmp_path, factor=2.0)
    (tmp_path / "cache").write_text("in the way")
    assert call_outer(tmp_path)[0] == 21.0


def digest_function(folder: Path) -> Callable[[Path], str]:
    """The digest of a copy of the module that lies in another folder, as ours lies in dsp."""
    copy = shutil.copy(str(kernel_module.__file__), folder / "kernel.py")
    spec = importlib.util.spec_from_file_location("kernel_copy", copy)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return cast(Callable[[Path], str], module.source_digest)


def test_digest_follows_imports_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text("from somewhere.b import (\n    x,\n)\n")
    (tmp_path / "b.py").write_text("from somewhere import c as d\n")
    (tmp_path / "c.py").write_text("y = 1\n")
    (tmp_path / "other.py").write_text("z = 1\n")
    digest = digest_function(tmp_path)
    first = digest(tmp_path / "a.py")
    (tmp_path / "other.py").write_text("z = 2\n")
    assert digest(tmp_path / "a.py") == first
    (tmp_path / "c.py").write_text("y = 2\n")
    assert digest(tmp_path / "a.py") != first


def test_digest_of_another_package_holds_all_of_ours(tmp_path: Path) -> None:
    """Its kernels may call any of ours, through files that we cannot follow."""
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    ours.mkdir()
    theirs.mkdir()
    digest = digest_function(ours)
    (theirs / "stage.py").write_text("x = 1\n")
    first = digest(theirs / "stage.py")
    (ours / "some_kernel.py").write_text("y = 1\n")
    second = digest(theirs / "stage.py")
    (theirs / "helper.py").write_text("z = 1\n")
    assert len({first, second, digest(theirs / "stage.py")}) == 3
