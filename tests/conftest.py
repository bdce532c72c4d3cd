"""What all tests share: pictures kept for speed are let go at the end of each module, or they fill the memory."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator

import pytest

KEPT = {
    "renderer.flow": ("echoes_of", "points_of"),
    "tests.closed_forms": ("lines_of",),
    "tests.teach_scenes": ("made",),
    "tests.test_remedies": ("before_of",),
}


@pytest.fixture(autouse=True, scope="module")
def let_pictures_go() -> Iterator[None]:
    """Clear the caches of pictures after each module."""
    yield
    for module, names in KEPT.items():
        for name in names:
            if module in sys.modules:
                getattr(sys.modules[module], name).cache_clear()
    gc.collect()
