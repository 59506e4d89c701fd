"""Mixtures of Gaussians: the histories that a switching model follows at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np


@dataclass(frozen=True)
class Mixture:
    """Histories: log weight (h,), mean (h, m) and covariance (h, m, m) of the state under each."""

    log_w: np.ndarray
    mean: np.ndarray
    cov: np.ndarray

    def __getitem__(self, rows: slice | np.ndarray) -> Mixture:
        return Mixture(self.log_w[rows], self.mean[rows], self.cov[rows])

    def observed(self, row: np.ndarray, value: float, var: float) -> Mixture:
        """After seeing row (m,) @ state with variance `var`."""
        seen = self.cov @ row
        spread = seen @ row + var
        miss = value - self.mean @ row
        gain = seen / spread[:, None]
        return Mixture(self.log_w - 0.5 * (np.log(2 * np.pi * spread) + miss**2 / spread),
                       self.mean + gain * miss[:, None], self.cov - gain[:, :, None] * seen[:, None, :])

    def weighted(self, log_factor: float) -> Mixture:
        return replace(self, log_w=self.log_w + log_factor)

    def merged(self) -> Mixture:
        """One Gaussian with the weight, mean and covariance of all."""
        top = np.max(self.log_w)
        w = np.exp(self.log_w - top)
        total = np.sum(w)
        w = w / total
        mean = w @ self.mean
        d = self.mean - mean
        cov = np.tensordot(w, self.cov, 1) + (d * w[:, None]).T @ d
        return Mixture(np.array([top + np.log(total)]), mean[None], cov[None])


def joined(*parts: Mixture) -> Mixture:
    return Mixture(np.concatenate([p.log_w for p in parts]), np.concatenate([p.mean for p in parts]),
                   np.concatenate([p.cov for p in parts]))


def density(x: np.ndarray, var: np.ndarray) -> np.ndarray:
    """Of Gaussians about zero with these variances."""
    return np.asarray(np.exp(-0.5 * x**2 / var) / np.sqrt(2 * np.pi * var))
