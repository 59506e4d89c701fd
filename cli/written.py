"""What an analysis leaves in the attempt folder, besides the record."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.attempt import Attempt
from analysis.record import attempt_to_json, track_frame
from cli import store
from cli.made_with import version_of
from cli.overlay import write_videos
from cli.pages.review import review_page
from cli.pages.trainee import trainee_page
from cli.plan import write_plan
from cli.progress import Report
from cli.scene import shown_moment
from cli.siblings import earlier_attempts
from cli.still import still_jpeg
from vision.footage import Footage

if TYPE_CHECKING:
    from cli.analyse import Request


def write(request: Request, footage: Footage, attempt: Attempt, people: dict[str, str | None], folder: Path,
          report: Report) -> dict[str, Any]:
    """Write everything but the record into `folder`; returns the record."""
    made_at = datetime.now(UTC).replace(microsecond=0)
    store.write_track(folder, track_frame(attempt), csv=request.csv)
    report("drawing the plan", 0.0)
    write_plan(attempt, folder / store.PLAN_SVG, folder / store.PLAN_PNG)
    clip = write_videos(footage, attempt, folder, overlay=request.video, progress=report)
    report("writing the review page", 0.0)
    page = review_page(attempt, clip, footage.times_s, made_on=made_at.date(), trainee=people["trainee"])
    (folder / store.REVIEW).write_text(page, "utf-8")
    record = attempt_to_json(attempt) | {
        "made_at": made_at.isoformat(), "program": {"name": "tailtrace", "version": version_of("tailtrace")}, **people,
        "clips": store.clip_references(request.clips, request.out, request.addresses)}
    sheet = trainee_page(attempt, record, earlier_attempts(request.out, people["trainee"]),
                         still_jpeg=still_jpeg(footage, attempt, shown_moment(attempt)), made_on=made_at.date(),
                         trainee=people["trainee"])
    (folder / store.TRAINEE).write_text(sheet, "utf-8")
    return record
