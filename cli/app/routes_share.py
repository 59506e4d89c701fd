"""Passing an attempt on: the trainee's sheet, a copy that opens offline, and the files other programs read."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route

from cli import store
from cli.app.context import page, parts, view
from cli.app.folder import NotThere
from cli.app.people import standing
from cli.app.rewrite import take_apart
from cli.app.routes_view import form_of
from cli.app.share import ASKED, SHARE, SINGLE, ZIP
from cli.app.telling import Telling
from cli.whole import write_whole

# What may be taken away, and what it is. All are sent as downloads, never shown as pages of the app.
FILES = {store.OVERLAY: "video/mp4", store.TRACK: "application/octet-stream", store.TRACK_CSV: "text/csv",
         store.RECORD: "application/json", store.PLAN_SVG: "image/svg+xml", store.PLAN_PNG: "image/png",
         store.TRAINEE: "text/html", store.REVIEW: "text/html", "people/corrections.jsonl": "application/json"}


async def sheet(request: Request) -> Response:
    """The trainee's sheet with the instructor's word on it."""
    folder, name = parts(request).folder, request.path_params["attempt"]
    s, tell = standing(folder, name), Telling(view(request))
    stored = folder.attempt(name) / store.TRAINEE
    body = ""
    if stored.is_file():
        text = stored.read_text("utf-8")
        body = (await asyncio.to_thread(take_apart, text, tell.fixed(s))).body
    undone = {c.withdraws for c in s.corrections}
    said = [(tell.title(c.finding.kind, c.finding.where) if c.finding else "",
             tell.words.say(f"script.log_{c.action}"), tell.verdict(c.verdict) if c.verdict else "", c.reason, c.by)
            for c in s.corrections if c.action != "withdraw" and c.id not in undone]
    return page(request, "sheet.html", name=name, s=s, tell=tell, body=body, said=said,
                findings=[f for f in s.now.findings if f["verdict"] != "ok"])


async def share(request: Request) -> Response:
    p, name = parts(request), request.path_params["attempt"]
    place = p.folder.attempt(name)
    made = next((n for n in (SINGLE, ZIP) if (place / SHARE / n).is_file()), None)
    there = [n for n in FILES if (place / n).is_file() or (n == store.TRACK_CSV and (place / store.TRACK).is_file())]
    return page(request, "share.html", name=name, made=made, files=there, job=p.queue.of(name, "share"),
                size_mb=(place / SHARE / made).stat().st_size / 1e6 if made else 0)


async def make(request: Request) -> Response:
    p, name, fields = parts(request), request.path_params["attempt"], await form_of(request)
    place = p.folder.attempt(name)
    (place / SHARE).mkdir(exist_ok=True)
    write_whole(place / SHARE / ASKED, json.dumps({
        "single": fields.get("form") == "single", "blur": fields.get("blur") == "on",
        "language": view(request).language}))
    p.queue.add("share", name, name)
    return RedirectResponse(f"/attempts/{name}/share", 303)


async def take_share(request: Request) -> Response:
    name, file = request.path_params["attempt"], request.path_params["file"]
    path = parts(request).folder.attempt(name) / SHARE / file
    if file not in (SINGLE, ZIP) or not path.is_file():
        raise NotThere(file)
    return FileResponse(path, filename=f"{name}{path.suffix}")


async def take_file(request: Request) -> Response:
    folder, name, file = parts(request).folder, request.path_params["attempt"], request.path_params["file"]
    if file == store.TRACK_CSV and not (folder.attempt(name) / file).is_file():
        source = folder.file_of(name, store.TRACK, (store.TRACK,))
        return Response(await asyncio.to_thread(_csv, source), media_type="text/csv",
                        headers={"content-disposition": f'attachment; filename="{name}-{store.TRACK_CSV}"'})
    path = folder.file_of(name, file, tuple(FILES))
    return FileResponse(path, media_type=FILES[file], filename=f"{name}-{path.name}")


def _csv(parquet: Path) -> str:
    import pandas as pd

    from cli.records import read_track
    return pd.DataFrame(read_track(parquet.read_bytes())).to_csv(index=False, float_format="%.6g")


ROUTES = [
    Route("/attempts/{attempt}/sheet", sheet),
    Route("/attempts/{attempt}/share", share),
    Route("/attempts/{attempt}/share", make, methods=["POST"]),
    Route("/attempts/{attempt}/share/{file}", take_share),
    Route("/attempts/{attempt}/files/{file:path}", take_file),
]
