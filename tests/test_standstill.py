"""Pictures left out while the vehicle has long stood, and gone back to when it moves off."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

import vision.tracking
from vision.footage import Frame
from vision.roof import Fitted
from vision.solid import Pose
from vision.standstill import BACK_S, EVERY_S, STOOD_S
from vision.tracking import Step, follow

RATE_HZ = 10
Way = Callable[[float], float | None]
"""Where along the x axis the vehicle is at a time; None where it cannot be seen."""


@dataclass
class Follower:
    """In place of the one that looks at pictures: here they hold the place itself. `last_s`, what it knows when one
    comes, is the time of the one before."""

    scene: Any
    camera: Any
    last_s: float = -1.0
    began_s: list[tuple[float, float]] = field(default_factory=list)  # shared by all copies

    def look(self, frame: Frame) -> Step:
        self.began_s.append((self.last_s, frame.t_s))
        self.last_s = frame.t_s
        x_m = float(frame.bgr[0])
        fitted = None if np.isnan(x_m) else Fitted(Pose(x_m, 0.0, 3.14159), np.eye(3), 1.0, 0.0, 1.0)
        return Step(frame.t_s, None, fitted, "")


@dataclass
class Told:
    steps_s: list[float]
    began_s: list[tuple[float, float]]
    asked_s: list[tuple[float, float]]


def followed(monkeypatch: pytest.MonkeyPatch, way: Way, until_s: float, *, again: bool = True) -> Told:
    followers: list[Follower] = []

    def make(scene: Any, camera: Any) -> Follower:
        followers.append(Follower(scene, camera))
        return followers[0]

    def picture(k: int) -> Frame:
        x_m = way(k / RATE_HZ)
        noise = np.random.default_rng(k).normal(0, 0.004)
        return Frame(k, k / RATE_HZ, np.array([np.nan if x_m is None else x_m + noise]))

    asked: list[tuple[float, float]] = []

    def once_more(after_s: float, before_s: float) -> Iterator[Frame]:
        asked.append((after_s, before_s))
        return (f for f in map(picture, range(round(until_s * RATE_HZ))) if after_s < f.t_s < before_s)

    monkeypatch.setattr(vision.tracking, "_Follower", make)
    pictures = map(picture, range(round(until_s * RATE_HZ)))
    steps = [step.t_s for step, frame in follow(None, pictures, None,  # type: ignore[arg-type]
                                                once_more if again else None) if step.t_s == frame.t_s]
    return Told(steps, followers[0].began_s, asked)


def every_s(a_s: float, b_s: float) -> list[float]:
    return [k / RATE_HZ for k in range(round(a_s * RATE_HZ), round(b_s * RATE_HZ))]


def off_at(t0_s: float, mps2: float) -> Way:
    """It comes to a stand at 3 s, and moves off at t0_s."""
    return lambda t: 0.5 * min(t - 3.0, 0.0) + mps2 / 2 * max(t - t0_s, 0.0) ** 2


@pytest.mark.parametrize("mps2", [0.05, 0.3, 1.0])
def test_a_long_standstill_is_looked_at_now_and_then_but_for_its_ends(monkeypatch: pytest.MonkeyPatch,
                                                                      mps2: float) -> None:
    told = followed(monkeypatch, off_at(20.0, mps2), 26.0)
    got = sorted(told.steps_s)
    assert len(set(got)) == len(got)  # each once
    assert set(every_s(0.0, 3.0 + STOOD_S)) <= set(got)
    ((back_s, seen_s),) = told.asked_s
    assert 20.0 < seen_s < 20.0 + np.sqrt(2 * 0.05 / mps2) + EVERY_S and back_s <= seen_s - BACK_S
    assert back_s < 20.0  # before it moved off
    assert set(every_s(back_s, 26.0)) <= set(got)
    inside = [t for t in got if 3.5 + STOOD_S < t < back_s]
    assert np.diff(inside) == pytest.approx(EVERY_S) and len(inside) > 15
    # It is gone on from as it was known then.
    first_anew = told.began_s[[t for _, t in told.began_s].index(seen_s) + 1]
    assert first_anew == (back_s, pytest.approx(back_s + 1 / RATE_HZ))


def test_short_stops_and_creeping_are_looked_at_picture_by_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    for way in (off_at(6.5, 0.3), lambda t: 0.02 * t, lambda t: 0.12 * np.sin(t / 2)):
        told = followed(monkeypatch, way, 12.0)
        assert told.steps_s == every_s(0.0, 12.0)
        assert told.asked_s == []


def test_where_it_is_hidden_while_it_stands_is_gone_back_to(monkeypatch: pytest.MonkeyPatch) -> None:
    told = followed(monkeypatch, lambda t: None if 14.85 < t < 17.05 else 1.0, 30.0)
    assert set(every_s(13.5, 17.0 + STOOD_S)) <= set(told.steps_s)
    assert len(told.asked_s) == 1
    assert len(told.steps_s) == len(set(told.steps_s)) < 200


def test_the_last_picture_is_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    for until_s in (20.0, 20.1, 20.3, 20.4):
        assert followed(monkeypatch, off_at(99.0, 1.0), until_s).steps_s[-1] == pytest.approx(until_s - 0.1)


def test_none_is_left_out_that_cannot_be_had_again(monkeypatch: pytest.MonkeyPatch) -> None:
    assert followed(monkeypatch, off_at(20.0, 0.3), 26.0, again=False).steps_s == every_s(0.0, 26.0)
