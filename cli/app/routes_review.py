"""An attempt under review: the stored page with the clip, what people say about it, and its captions."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from analysis.trouble import Trouble
from cli import store
from cli.app import vtt
from cli.app.context import json_body, page, parts, text_of, view
from cli.app.folder import Folder, NotThere
from cli.app.people import LONGEST_REASON, Overtaken, Standing, correct, correction_of, standing
from cli.app.rewrite import take_apart
from cli.app.telling import Telling, in_page_order
from cli.app.wording import FEET_IN_A_METRE
from cli.library.people import Correction


async def review(request: Request) -> Response:
    folder, name = parts(request).folder, request.path_params["attempt"]
    folder.existing("attempts", name)
    try:
        stored = (folder.attempt(name) / store.REVIEW).read_text("utf-8")
    except (NotThere, FileNotFoundError):
        return RedirectResponse("/", 303)  # still in the queue: its state is shown there
    seen = view(request)
    tell = Telling(seen)
    say = tell.words.say
    tracks = "".join(
        f'<track kind="{kind}" src="/attempts/{name}/{kind}.vtt" srclang="{seen.language}" label="{say(label)}">'
        for kind, label in (("captions", "review.captions"), ("chapters", "review.chapters")))
    s = standing(folder, name)
    taken = await asyncio.to_thread(take_apart, stored, tell.fixed(s), clip=f"/attempts/{name}/clip", tracks=tracks)
    if taken.script != (resources.files("cli.pages") / "review.js").read_text("utf-8").strip():
        return page(request, "older.html", name=name, recorded=bool(folder.recordings(name)))
    return page(request, "review.html", name=name, body=taken.body, page_data=_in_units(taken.data, seen.units),
                more=_people(s, tell) | {"attempt": name, "sd_mark_m": _sd_mark_m(s), "units": seen.units,
                                         "verdicts": [(v, tell.verdict(v)) for v in _VERDICTS],
                                         "kinds": [(k, tell.kind(k)) for k in _kinds()]})


_VERDICTS = ("fault", "ok", "too close to call", "not seen")


def _kinds() -> tuple[str, ...]:
    from analysis.rules import KINDS
    return KINDS


def _sd_mark_m(s: Standing) -> float:
    """How well places on the ground are known here: the median of the marks' sds (m)."""
    sds = sorted(m["sd_m"] for m in s.record["marks"] if m["sd_m"] is not None)
    return sds[len(sds) // 2] if sds else 0.05


def _in_units(data: dict[str, Any] | None, units: str) -> dict[str, Any]:
    """The page's data with the charts' figures in feet if asked for; everything drawn stays in metres."""
    if data is None or units != "ft":
        return data or {}

    def feet(values: list[float | None]) -> list[float | None]:
        return [None if v is None else round(v * FEET_IN_A_METRE, 3) for v in values]

    charts = [c if not c["unit"].startswith("m") else
              c | {"unit": c["unit"].replace("m", "ft", 1),
                   "curves": [k | {"value": feet(k["value"]), "sd": feet(k["sd"])} for k in c["curves"]]}
              for c in data["charts"]]
    return data | {"charts": charts}


# ---- what people say -------------------------------------------------------------------------------------------------


def _people(s: Standing, tell: Telling) -> dict[str, Any]:
    """The state that the review page shows and changes; `version` must be named with each change."""
    return {
        "version": s.version, "verdict": s.verdict, "headline": tell.headline(s), "counts": tell.counts(s),
        "judged": bool(s.corrections), "end": s.record["t_end_s"], "language": tell.view.language,
        "findings": [_finding(f, tell) for f in s.now.findings], "order": in_page_order(s),
        "log": [_logged(c, s.corrections, tell) for c in reversed(s.corrections)],
    }


def _finding(f: dict[str, Any], tell: Telling) -> dict[str, Any]:
    return {"kind": f["kind"], "where": f["where"], "key_s": f["tool_t_start_s"], "t_start_s": f["t_start_s"],
            "t_end_s": f["t_end_s"], "verdict": f["verdict"], "tool_verdict": f["tool_verdict"], "by": f["by"],
            "told": tell.verdict(f["verdict"]), "kind_told": tell.kind(f["kind"]),
            "title": tell.title(f["kind"], f["where"]), "sentence": tell.sentence(f), "added": f["added"]}


def _logged(c: Correction, everything: tuple[Correction, ...], tell: Telling) -> dict[str, Any]:
    what = tell.title(c.finding.kind, c.finding.where) if c.finding else ""
    return {"id": c.id, "by": c.by, "at": c.at, "action": c.action, "what": what, "reason": c.reason,
            "verdict": tell.verdict(c.verdict) if c.verdict else "", "t_start_s": c.t_start_s, "t_end_s": c.t_end_s,
            "finding": [c.finding.kind, c.finding.where, c.finding.t_start_s] if c.finding else None,
            "undone": any(o.action == "withdraw" and o.withdraws == c.id for o in everything)}


async def people(request: Request) -> Response:
    s = standing(parts(request).folder, request.path_params["attempt"])
    return JSONResponse(_people(s, Telling(view(request))))


async def say_something(request: Request) -> Response:
    from cli.analyse import code
    folder, name, body = parts(request).folder, request.path_params["attempt"], await json_body(request)
    tell = Telling(view(request))
    by = code(tell.words.say("review.by"), text_of(body, "by"))
    end_s = float(folder.record(name)["t_end_s"])
    wanted = correction_of(body, by or "", text_of(body, "reason", LONGEST_REASON), end_s)
    if wanted.action == "confirm":
        wanted = replace(wanted, verdict=wanted.tool_verdict)
    if not isinstance(body.get("version"), int):
        raise Trouble("the request is not understood", remedy="reload the page")
    try:
        after = await asyncio.to_thread(correct, folder, name, body["version"], wanted)
    except Overtaken:
        return JSONResponse(_people(standing(folder, name), tell), 409)
    return JSONResponse(_people(after, tell))


# ---- the clip --------------------------------------------------------------------------------------------------------


def clip_of(folder: Folder, attempt: str) -> Path:
    """The file that browsers play: the viewing copy when there is one, else the recording itself."""
    copy = folder.attempt(attempt) / store.VIEWING_COPY
    recordings = folder.recordings(attempt)
    if copy.is_file():
        return copy
    if not recordings:
        raise NotThere(attempt)
    return recordings[0]


async def clip(request: Request) -> Response:
    return FileResponse(clip_of(parts(request).folder, request.path_params["attempt"]), media_type="video/mp4")


async def frame_times(request: Request) -> Response:
    """The clip's own presentation times, so that a step is one picture whatever the camera's rate did."""
    from vision.footage import open_footage
    path = clip_of(parts(request).folder, request.path_params["attempt"])
    footage = await asyncio.to_thread(open_footage, [path])
    return JSONResponse([round(float(t), 5) for t in footage.times_s])


async def captions(request: Request) -> Response:
    s = standing(parts(request).folder, request.path_params["attempt"])
    text = vtt.captions(s.now.findings, Telling(view(request)).sentence, s.record["t_end_s"])
    return Response(text, media_type="text/vtt")


async def chapters(request: Request) -> Response:
    s = standing(parts(request).folder, request.path_params["attempt"])
    return Response(vtt.chapters(s.record, Telling(view(request)).words.say), media_type="text/vtt")


ROUTES = [
    Route("/attempts/{attempt}", review),
    Route("/attempts/{attempt}/people", people),
    Route("/attempts/{attempt}/people", say_something, methods=["POST"]),
    Route("/attempts/{attempt}/clip", clip),
    Route("/attempts/{attempt}/frames", frame_times),
    Route("/attempts/{attempt}/captions.vtt", captions),
    Route("/attempts/{attempt}/chapters.vtt", chapters),
]
