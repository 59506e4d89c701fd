"""Sorting what several pictures show at each pixel, all pixels in the same steps: no branch to be guessed."""

from __future__ import annotations

import numba
import numpy as np


def sorting(n: int) -> np.ndarray:
    """(m, 2) pairs to compare and exchange that sort any n values (Batcher's odd-even merge sort; Knuth, TAOCP 3,
    5.2.2 M). The same steps for all pixels, so that the processor takes many pixels at once."""
    pairs, p = [], 1
    while p < n:
        k = p
        while k >= 1:
            pairs += [(i + j, i + j + k) for j in range(k % p, n - k, 2 * k) for i in range(min(k, n - j - k))
                      if (i + j) // (2 * p) == (i + j + k) // (2 * p)]
            k //= 2
        p *= 2
    return np.array(pairs, int).reshape(-1, 2)


@numba.njit(cache=True, nogil=True)
def sort_columns(tile, pairs):  # pragma: no cover (compiled)
    """Each column of tile (n, m) in rising order, by the pairs of `sorting(n)`."""
    for q in range(len(pairs)):
        low, high = tile[pairs[q, 0]], tile[pairs[q, 1]]
        for k in range(tile.shape[1]):
            low[k], high[k] = min(low[k], high[k]), max(low[k], high[k])
