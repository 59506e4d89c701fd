"""Solving and inverting the block-tridiagonal systems that a smoother over time gives rise to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded


@dataclass(frozen=True)
class Factor:
    """Cholesky factor of a symmetric block-tridiagonal matrix: blocks (n, m, m) on and (n-1, m, m) below the diagonal.

    `band` is the same factor in scipy's lower banded form (2 m, n m)."""

    diagonal: np.ndarray
    below: np.ndarray
    band: np.ndarray

    @property
    def log_det(self) -> float:
        """Log-determinant of the factored matrix."""
        return 2.0 * float(np.sum(np.log(self.band[0])))

    def solve(self, right: np.ndarray) -> np.ndarray:
        """Solve the system for a right side (n, m); time and memory are linear in n."""
        return cho_solve_banded((self.band, True), right.ravel(), check_finite=False).reshape(right.shape)

    def covariance(self) -> Covariance:
        """The blocks of the inverse on and next to the diagonal (Takahashi's recursion)."""
        n = len(self.diagonal)
        inverse = np.linalg.inv(self.diagonal)
        gain = self.below @ inverse[:-1]
        marginal = np.swapaxes(inverse, 1, 2) @ inverse
        for k in range(n - 2, -1, -1):
            marginal[k] += gain[k].T @ marginal[k + 1] @ gain[k]
        return Covariance(marginal, gain)


@dataclass(frozen=True)
class Covariance:
    """Marginal covariance (n, m, m) per time, and what is needed for the covariance between two times."""

    marginal: np.ndarray
    gain: np.ndarray

    def between(self, later: int, earlier: int) -> np.ndarray:
        """Covariance (m, m) of the state at `later` with the state at `earlier`, later >= earlier."""
        block = self.marginal[later]
        for k in range(later - 1, earlier - 1, -1):
            block = -block @ self.gain[k]
        return block


def factor(diagonal: np.ndarray, below: np.ndarray) -> Factor:
    """Cholesky factor; raises numpy's LinAlgError when the matrix is not positive definite."""
    n, m, _ = diagonal.shape
    band = np.zeros((2 * m, n, m))
    for j in range(m):
        for i in range(j, m):
            band[i - j, :, j] = diagonal[:, i, j]
        for i in range(m):
            band[m + i - j, :-1, j] = below[:, i, j]
    band = cholesky_banded(band.reshape(2 * m, n * m), lower=True, check_finite=False)
    blocks = band.reshape(2 * m, n, m)
    on, under = np.zeros((n, m, m)), np.zeros((n - 1, m, m))
    for j in range(m):
        for i in range(j, m):
            on[:, i, j] = blocks[i - j, :, j]
        for i in range(m):
            under[:, i, j] = blocks[m + i - j, :-1, j]
    return Factor(on, under, band)

