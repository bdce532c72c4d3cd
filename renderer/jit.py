"""How kernels are compiled: one decorator, one cache folder per version of the source.

The compiler's disk cache notices a change in the file of a kernel, but not one in a kernel of
another file that it calls. So the cache folder carries a digest of every source file: any edit
starts a new folder, and an old result can never be used with new code.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba

_SOURCE = Path(__file__).parent
# These hold no kernel and are called by none: an edit there must not cost a minute.
_WITHOUT_KERNELS = ("teach", "cli.py", "__main__.py")


def source_digest() -> str:
    """Short digest of all source files of the package that kernels could depend on."""
    digest = hashlib.sha256()
    for path in sorted(_SOURCE.rglob("*.py")):
        if path.relative_to(_SOURCE).parts[0] not in _WITHOUT_KERNELS:
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def cache_folder() -> Path:
    """Folder of the compiled kernels for this version of the source."""
    root = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(root) / "echowright" / source_digest()


numba.config.CACHE_DIR = str(cache_folder())  # type: ignore[attr-defined]
# Kernels are never handed to C as callbacks: leaving that wrapper out saves a twentieth of the first compile
_OPTIONS: dict[str, Any] = {"cache": True, "error_model": "numpy", "nogil": True, "no_cfunc_wrapper": True}


def kernel(function: Callable[..., Any]) -> Callable[..., Any]:
    """A compiled function without Python objects; division follows IEEE rules, so that loops vectorise."""
    compiled: Callable[..., Any] = numba.njit(**_OPTIONS)(function)
    return compiled


def parallel_kernel(function: Callable[..., Any]) -> Callable[..., Any]:
    """The same, with loops over lines shared between threads; every line writes only its own row.

    The compiler takes a loop's body twice, so the body had better be one call.
    """
    compiled: Callable[..., Any] = numba.njit(parallel=True, **_OPTIONS)(function)
    return compiled
