"""Work on several pictures at once, with the same result as one after another: order is kept, nothing is shared.

Threads are enough: decoding, OpenCV, compiled loops and matrix work all let go of Python's lock.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")

AHEAD = 2
"""Items made before they are asked for: enough to ride out a slow one, few enough to keep memory small."""
MOST_THREADS = 4
"""More would only raise the memory for pictures in work."""


def ahead(items: Iterable[T]) -> Iterator[T]:
    """The same items in order, the next few made by a thread of its own while the caller works on the last."""
    source, end = iter(items), object()
    with ThreadPoolExecutor(1) as pool:
        waiting = deque(pool.submit(next, source, end) for _ in range(AHEAD))
        try:
            while (item := waiting.popleft().result()) is not end:
                waiting.append(pool.submit(next, source, end))
                yield item  # type: ignore[misc]
        finally:
            for future in waiting:
                future.cancel()


def side_by_side(work: Callable[..., T], *sequences: Iterable[Any]) -> list[T]:
    """[work(a, b, ...) for a, b, ... in zip(...)] on all cores. The first failure is raised."""
    with ThreadPoolExecutor(min(os.cpu_count() or 1, MOST_THREADS)) as pool:
        return list(pool.map(work, *sequences))
