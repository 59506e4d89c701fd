"""Memory kept small: freed pictures otherwise stay with the C library, in pieces. All of it does nothing but where that
is GNU's."""

from __future__ import annotations

import ctypes
import sys
from typing import Any

POOLS = 2
"""One for what is followed and one for what is made ahead; every further pool keeps pieces of its own."""
_ARENA_MAX = -8  # M_ARENA_MAX of GNU's malloc.h


def few_pools() -> None:
    """Let all threads share a few pools of memory from now on; each would else be given one of its own, up to eight for
    each core, and how many pictures lie about in them would differ from run to run."""
    setting = _of_gnu("mallopt")
    if setting is not None:
        setting(_ARENA_MAX, POOLS)


def give_back() -> None:
    """Memory given back to the system between stages."""
    trim = _of_gnu("malloc_trim")
    if trim is not None:
        trim(0)


def _of_gnu(name: str) -> Any:
    library = ctypes.CDLL(None) if sys.platform == "linux" else None
    return getattr(library, name, None) if hasattr(library, "malloc_trim") else None
