"""Compile inner loops, with a cache outside the installed package.

Left alone, numba writes its cache beside the module; ``pip uninstall`` then leaves that folder
behind, and the leftover hides a later editable install.  numba also does not notice a change in
a compiled function of *another* file, so the name of a kernel's cache folder carries a digest of
its file and of all files of this folder that it imports, directly or through others.
"""

import hashlib
import os
import re
import sys
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., object])

# Fused multiply-add and signless zeros; NaN and infinity keep their meaning.
FASTMATH = {"contract", "nsz"}
OPTIONS = {"fastmath": FASTMATH, "error_model": "numpy"}

# An import statement with its names, on one line or in brackets.
IMPORTS = re.compile(r"^\s*(?:from\s+[\w.]+\s+)?import\s+(?:\([^)]*\)|.*)|^\s*from\s+[\w.]+", re.M)
WORDS = re.compile(r"\w+")


def source_digest(file: Path) -> str:
    """Return a short digest of a Python file and all files beside it that it depends on."""
    digest = hashlib.sha256()
    for source in sorted(_dependencies(file)):
        digest.update(source.name.encode() + b"\0" + source.read_bytes())
    return digest.hexdigest()[:16]


def _dependencies(file: Path) -> set[Path]:
    """Find a file and those of ours whose names its import lines mention, and theirs in turn.

    For a file of another package: all files beside it and all of ours.
    """
    dsp = Path(__file__).parent
    cli = dsp.with_name("cli")
    if file.parent not in (dsp, cli):  # a kernel of another package may call any of ours
        return {file, *dsp.glob("*.py")} | set(file.parent.glob("*.py"))
    found, unread = {file}, [file]
    while unread:
        source = unread.pop()
        statements = IMPORTS.findall(source.read_text("utf-8"))
        names = {word for statement in statements for word in WORDS.findall(statement)}
        folders = (dsp,) if source.parent == dsp else (cli, dsp)  # dsp never imports cli
        near = {folder / f"{name}.py" for folder in folders for name in names}
        new = {other for other in near - found if other.is_file()}
        found |= new
        unread += new
    return found


@cache
def cache_dir(file: Path) -> Path:
    """Return the folder of this user that holds the kernels compiled from a file."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache"))
    base = Path(os.environ.get("NUMBA_CACHE_DIR", base / "carrierfloor"))
    return base / source_digest(file)


_CACHE_DIRS: dict[str, Path] = {}  # of every kernel, by its name


def kernel(function: F) -> F:
    """Compile a loop over samples; keep the result for the next start.

    Parameters
    ----------
    function : callable
        A loop on NumPy arrays and scalars.

    Returns
    -------
    callable
        The compiled function, with the same signature; it runs without the interpreter lock.
    """
    return cast(F, _cached(function, partial(numba.njit, nogil=True, **OPTIONS)))


def c_callback(signature: Any, function: Callable[..., object]) -> Any:
    """Compile a function that C is to call; keep the result for the next start.

    Parameters
    ----------
    signature : numba signature
        Of the function as C sees it.
    function : callable
        It may call kernels.

    Returns
    -------
    numba.core.ccallback.CFunc
        Its ``address`` is what C wants; it must outlive every call.
    """
    return _cached(function, partial(numba.cfunc, signature, **OPTIONS))


def _cached(function: Callable[..., object], compiler: Callable[..., Any]) -> Any:
    """Compile with a cache folder of the function's own, or without if none can be written."""
    before = numba.config.CACHE_DIR
    folder = cache_dir(Path(function.__code__.co_filename))
    _CACHE_DIRS[function.__name__] = folder
    numba.config.CACHE_DIR = str(folder)
    try:
        return compiler(cache=True)(function)
    except RuntimeError:  # no folder to write to: compile at every start
        return compiler()(function)
    finally:
        numba.config.CACHE_DIR = before


def is_compiled(name: str) -> bool:
    """Tell whether an earlier run left this kernel compiled; its module must be imported."""
    folder = _CACHE_DIRS[name]
    return any(folder.rglob(f"*.{name}-*.nbc"))
