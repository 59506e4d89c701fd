"""Pointing out marks that were not found: a still of the clip, a click for each mark, and how well they fit."""

from __future__ import annotations

import asyncio
import math
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from analysis.course import Course
from analysis.trouble import Trouble
from cli import files
from cli.app.context import json_body, page, parts
from cli.app.folder import MARKS, NotThere
from cli.app.pictures import course_drawing
from cli.whole import write_whole

LEAST_MARKS = 4
_STILL_QUALITY = 92


def _course(folder: Path) -> Course:
    if not (folder / "course.toml").is_file():
        raise NotThere(folder.name)
    return files.read_course(folder / "course.toml")


async def show(request: Request) -> Response:
    folder, name = parts(request).folder, request.path_params["attempt"]
    place = folder.existing("attempts", name)
    course = _course(place)
    footage = await asyncio.to_thread(_footage, folder.recordings(name))
    picked = files.read_picks(place / MARKS, course) if (place / MARKS).is_file() else ()
    return page(request, "marks.html", name=name, drawing=course_drawing(course), marks=[m.name for m in course.marks],
                setting={"attempt": name, "width": footage.width_px, "height": footage.height_px,
                         "marks": [m.name for m in course.marks], "least": LEAST_MARKS,
                         "picks": {p.name: [p.u_px, p.v_px] for p in picked}})


async def still(request: Request) -> Response:
    """The clip's first picture, in which marks are pointed out."""
    recordings = parts(request).folder.recordings(request.path_params["attempt"])
    return Response(await asyncio.to_thread(_still, recordings), media_type="image/jpeg")


async def fit(request: Request) -> Response:
    """How far each picked mark lies from where the course file has it, once a camera is fitted to all of them."""
    place = parts(request).folder.existing("attempts", request.path_params["attempt"])
    picks = _picks(await json_body(request))
    return JSONResponse(await asyncio.to_thread(_fit, place, parts(request).folder.recordings(place.name), picks))


async def keep(request: Request) -> Response:
    """Write the picks down and analyse again with them."""
    p, name = parts(request), request.path_params["attempt"]
    place = p.folder.existing("attempts", name)
    picks = _picks(await json_body(request))
    await asyncio.to_thread(_fit, place, p.folder.recordings(name), picks)  # only what fits is kept
    lines = [",".join(files.PICKS_HEADER)] + [f"{m},{u:.2f},{v:.2f}" for m, (u, v) in picks.items()]
    write_whole(place / MARKS, "\n".join(lines) + "\n")
    before = p.queue.of(name, "analyse")
    p.queue.add("analyse", name, before.label if before else name)
    return JSONResponse({"next": "/"})


def _picks(body: dict[str, Any]) -> dict[str, tuple[float, float]]:
    picks = body.get("picks")
    if not isinstance(picks, dict) or len(picks) > 100:
        raise Trouble("the request is not understood", remedy="reload the page")
    try:
        found = {str(k): (float(v[0]), float(v[1])) for k, v in picks.items()}
    except (TypeError, ValueError, IndexError, KeyError):
        raise Trouble("the request is not understood", remedy="reload the page") from None
    if not all(math.isfinite(c) for uv in found.values() for c in uv):
        raise Trouble("the request is not understood", remedy="reload the page")
    return found


def _footage(recordings: list[Path]) -> Any:
    from vision.footage import open_footage
    if not recordings:
        raise NotThere("recording")
    return open_footage(recordings)


def _still(recordings: list[Path]) -> bytes:
    import cv2

    from vision.footage import frames
    footage = _footage(recordings)
    first = next(iter(frames(footage)), None)
    if first is None:
        raise Trouble("no picture of the clip can be decoded", where=recordings[0].name,
                      remedy="copy it from the memory card again")
    done, data = cv2.imencode(".jpg", first.bgr, [cv2.IMWRITE_JPEG_QUALITY, _STILL_QUALITY])
    assert done
    return data.tobytes()


def _fit(place: Path, recordings: list[Path], picks: dict[str, tuple[float, float]]) -> dict[str, Any]:
    """For each picked mark: its distance from the course file's place, and that place's pixel. Raises Trouble."""
    import numpy as np

    from vision.survey import Pick, register_from_picks
    course, footage = _course(place), _footage(recordings)
    lens = files.read_lens(place / "lens.toml") if (place / "lens.toml").is_file() else None
    got = register_from_picks([Pick(m, u, v) for m, (u, v) in picks.items()], course,
                              (footage.width_px, footage.height_px), lens=lens)
    expected = got.camera.project_ground(np.array([[m.x_m, m.y_m] for m in course.marks]))
    off = {m.name: math.hypot(m.x_m - m.nominal_x_m, m.y_m - m.nominal_y_m) for m in got.marks}
    return {"off_m": {name: round(value, 3) for name, value in off.items()},
            "expected_px": {m.name: [round(float(c), 1) for c in px]
                            for m, px in zip(course.marks, expected, strict=True)},
            "height_m": round(float(got.camera.centre_m[2]), 1)}


ROUTES = [
    Route("/attempts/{attempt}/marks", show),
    Route("/attempts/{attempt}/still.jpg", still),
    Route("/attempts/{attempt}/marks/fit", fit, methods=["POST"]),
    Route("/attempts/{attempt}/marks", keep, methods=["POST"]),
]
