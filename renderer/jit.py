"""How kernels are compiled: one decorator, one cache folder per version of the source.

The compiler's disk cache notices a change in the file of a kernel, but not one in a kernel of
another file that it calls. So the cache folder carries a digest of every source file: any edit
starts a new folder, and an old result can never be used with new code.
"""

from __future__ import annotations

import functools
import hashlib
import inspect
import math
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numba

_SOURCE = Path(__file__).parent
# These hold no kernel and are called by none: an edit there must not cost a minute.
_WITHOUT_KERNELS = ("teach", "cli.py", "__main__.py")
# Threads that share the rows of a kernel: as many as there are cores, or what NUMBA_NUM_THREADS says
THREADS: int = numba.config.NUMBA_NUM_THREADS  # type: ignore[attr-defined]
PIECES = 8  # of the rows for each thread: the last ones even out what the first ones differ by


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


def row_kernel(
    rows: str, *, axes: int = 1, signature: Any = None
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """A compiled function whose rows are shared between threads; every row is written by one thread alone.

    The function begins with ``start, stop``: the rows that it is to do. It is called without them. How many there
    are is told by the argument named ``rows``: the product of its first ``axes`` lengths.
    Python's threads share the rows, not the compiler's: those take as long again to compile, do not survive a
    fork, and deal the rows out beforehand, however much they differ.
    """

    def decorate(function: Callable[..., None]) -> Callable[..., None]:
        compiled = (
            numba.njit(**_OPTIONS)(function)
            if signature is None
            else numba.njit(signature, **_OPTIONS)(function)
        )
        place = list(inspect.signature(function).parameters).index(rows) - 2

        @functools.wraps(function)
        def call(*arguments: Any) -> None:
            _share_rows(compiled, math.prod(arguments[place].shape[:axes]), arguments)

        return call

    return decorate


def _share_rows(compiled: Callable[..., None], n_rows: int, arguments: tuple[Any, ...]) -> None:
    threads = min(THREADS, n_rows)
    size = max(1, -(-n_rows // (PIECES * max(threads, 1))))
    starts = iter(range(0, n_rows, size))

    def work() -> None:
        for start in starts:  # the iterator hands each start to one thread
            compiled(start, min(start + size, n_rows), *arguments)

    if threads < 2:
        work()
        return
    with ThreadPoolExecutor(threads - 1) as pool:
        others = [pool.submit(work) for _ in range(threads - 1)]
        work()
    for other in others:
        other.result()
