"""Compile inner loops, with a cache outside the installed package.

Left alone, numba writes its cache beside the module; ``pip uninstall`` then leaves that folder
behind, and the leftover hides a later editable install.  numba also does not notice a change in
a compiled function of *another* file, so the cache folder's name carries a digest of all sources
in this folder: any edit starts a fresh cache.
"""

import hashlib
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., object])

# Fused multiply-add and signless zeros; NaN and infinity keep their meaning.
FASTMATH = {"contract", "nsz"}


def source_digest(folder: Path) -> str:
    """Return a short digest of all Python files of a folder."""
    digest = hashlib.sha256()
    for file in sorted(folder.glob("*.py")):
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()[:16]


def cache_dir() -> Path:
    """Return the folder of this user that holds the kernels compiled from these sources."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache"))
    base = Path(os.environ.get("NUMBA_CACHE_DIR", base / "carrierfloor"))
    return base / source_digest(Path(__file__).parent)


_CACHE_DIR = str(cache_dir())


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
    before = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = _CACHE_DIR
    options = {"nogil": True, "fastmath": FASTMATH, "error_model": "numpy"}
    try:
        return cast(F, numba.njit(cache=True, **options)(function))
    except RuntimeError:  # no folder to write to: compile at every start
        return cast(F, numba.njit(**options)(function))
    finally:
        numba.config.CACHE_DIR = before


def is_compiled(name: str = "") -> bool:
    """Tell whether an earlier run left compiled kernels for these sources.

    Parameters
    ----------
    name : str
        Of a kernel; any kernel counts if it is empty.
    """
    return any(Path(_CACHE_DIR).rglob(f"*{name}*.nbc"))
