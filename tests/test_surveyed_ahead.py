"""The course as surveyed is told before the clip is followed, and is the one that is judged by."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from fake_attempt import make_attempt

import vision.measure
from analysis.course import Course, MarkEvent, SurveyedMark
from vision.survey import Registration


class Watch:
    """In place of the watch over the marks: what it saw is given."""

    seen: tuple[MarkEvent, ...] = ()

    def __init__(self, *given: Any) -> None:
        pass

    def events(self) -> tuple[MarkEvent, ...]:
        return self.seen


@pytest.mark.parametrize("moved", [False, True])
def test_it_is_told_first_and_changes_only_by_a_mark_that_is_moved(monkeypatch: pytest.MonkeyPatch,
                                                                   moved: bool) -> None:
    attempt = make_attempt()
    course, track = attempt.course, attempt.track
    found = Registration(None, 0.0, track.marks[::-1], track.lines, 0.0, np.eye(8), (), ())  # type: ignore[arg-type]
    done: list[str] = []

    def stood_before(seen: Any, footage: Any, mark: SurveyedMark, *given: Any) -> SurveyedMark:
        return SurveyedMark(mark.name, mark.x_m + 0.3, mark.y_m, mark.sd_m, mark.nominal_x_m, mark.nominal_y_m)

    def track_of(steps: Any, footage: Any, registration: Registration, *given: Any) -> Any:
        return replace(track, marks=registration.marks, lines=registration.lines)

    events = (MarkEvent(track.marks[0].name, 3.0, 0.3, 0.02),) if moved else ()
    for name, fake in (("open_footage", lambda clips: SimpleNamespace(paths=[Path("clip.mp4")])),
                       ("look_over", lambda *a: SimpleNamespace(registration=found, learnt=None, size=None)),
                       ("MarkWatch", type("Saw", (Watch,), {"seen": events})), ("_track", track_of),
                       ("_followed", lambda *a: done.append("followed")), ("as_stood_before", stood_before)):
        monkeypatch.setattr(vision.measure, name, fake)
    told: list[Course] = []

    def tell(surveyed: Course) -> None:
        told.append(surveyed)
        done.append("told")
    got = vision.measure.measure([Path("clip.mp4")], attempt.vehicle, course, surveyed=tell)
    assert done == ["told", "followed"]
    assert told == [course.with_survey(track.marks, track.lines)] and told != [course]
    assert (told == [course.with_survey(got.marks, got.lines)]) is not moved
