"""The same result to the last bit on any number of cores."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import cv2
from threadpoolctl import threadpool_limits


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Within it, matrix and picture libraries do not split a sum or a filter among threads: how they split it depends
    on the machine, and the last bits of the result with it."""
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        with threadpool_limits(1, user_api="blas"):
            yield
    finally:
        cv2.setNumThreads(threads)
