"""Bringing clips in: uploads in pieces, the queue, and what can be done with a job."""

from __future__ import annotations

import asyncio
import json
import shutil
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Any

from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

import cli
from analysis.course import check_room
from analysis.trouble import Trouble
from cli import files, store
from cli.app.context import json_body, parts, text_of
from cli.app.folder import RECORDING, REQUEST, Folder, NotThere, slug
from cli.app.jobs import Job
from cli.app.look import ending_of_clip
from cli.app.routes_view import form_of
from cli.whole import disk_trouble, write_whole

_MOST_PARTS = 20
SETUP = {"vehicles": "vehicle", "courses": "course", "lenses": "lens", "rules": "rules"}  # kind: name in requests


def takes_pieces(path: str) -> bool:
    """Whether requests to this path carry pieces of a clip; they have their own limit."""
    return path.startswith("/uploads/")


async def begin(request: Request) -> Response:
    body = await json_body(request)
    size, modified = body.get("size"), body.get("modified")
    if not isinstance(size, int) or not isinstance(modified, int):
        raise Trouble("the request is not understood", remedy="reload the page and try again")
    upload, offset = parts(request).uploads.begin(text_of(body, "name", 500), size, modified)
    return JSONResponse({"id": upload, "offset": offset})


async def append(request: Request) -> Response:
    offset = request.query_params.get("offset", "")
    if not offset.isdecimal():
        raise Trouble("the request is not understood", remedy="reload the page and try again")
    try:
        got = await parts(request).uploads.append(request.path_params["upload"], int(offset), request.stream())
    except ClientDisconnect:  # stopped by the person, or the line broke; what arrived is kept
        return Response(status_code=400)
    return JSONResponse({"offset": got})


async def drop(request: Request) -> Response:
    parts(request).uploads.remove(request.path_params["upload"])
    return Response(status_code=204)


async def add_job(request: Request) -> Response:
    """Uploads that have arrived whole become one attempt, waiting to be analysed."""
    p, body = parts(request), await json_body(request)
    uploads = body.get("uploads")
    if not isinstance(uploads, list) or not 0 < len(uploads) <= _MOST_PARTS:
        raise Trouble("no clip was named", remedy="choose a clip first")
    codes = {who: _code(body, who) for who in ("trainee", "instructor")}
    setup = {kind: text_of(body, key) for kind, key in SETUP.items()}
    for kind, what in (("vehicles", "vehicle"), ("courses", "course")):
        if not setup[kind]:
            raise Trouble(f"no {what} is chosen", remedy=f"choose a {what}, or set one up first")
    taken = [(str(u), p.uploads.finished(str(u)), p.uploads.about(str(u))["name"]) for u in uploads]
    asked = codes | {"quick": bool(body.get("quick"))}
    attempt = await asyncio.to_thread(_new_attempt, p.folder, setup, asked, taken)
    job = p.queue.add("analyse", attempt, taken[0][2])
    for upload, _, _ in taken:
        p.uploads.remove(upload)
    return JSONResponse(shown(job))


def _new_attempt(folder: Folder, setup: dict[str, str], asked: dict[str, Any],
                 clips: list[tuple[str, Path, str]]) -> str:
    """An attempt folder with the clip's parts, and copies of what it is to be measured with. Returns its name.

    asked: the people's codes, and whether to leave out what takes longest. They are kept in request.json, which is
    written before the first part is moved in: from then on take_up.py carries this to its end, whatever happens."""
    given = _given(folder, setup)
    check_room(files.read_course(given["course.toml"]), files.read_vehicle(given["vehicle.toml"]))
    endings = [ending_of_clip(path, name) for _, path, name in clips]
    names = [f"{RECORDING}-{i + 1:02d}{ending}" for i, ending in enumerate(endings)]
    target = _new_place(folder, f"{date.today():%Y-%m-%d}-{asked['trainee'] or 'run'}".lower())
    try:
        for name, source in given.items():
            shutil.copyfile(source, target / name)
        (target / "people").mkdir()
        write_whole(target / REQUEST, json.dumps({"clips": names, "uploads": [upload for upload, _, _ in clips],
                                                  "label": clips[0][2], **asked}))
        for (_, path, _), name in zip(clips, names, strict=True):
            path.rename(target / name)
    except OSError as e:
        if not folder.recordings(target.name):
            shutil.rmtree(target, ignore_errors=True)
        raise disk_trouble(e, target) from e
    return target.name


def _new_place(folder: Folder, stem: str) -> Path:
    """A new folder for an attempt; several requests may want one at once."""
    while True:
        place = folder.place("attempts", slug(stem, lambda n: folder.place("attempts", n).exists()))
        with suppress(FileExistsError):
            place.mkdir()
            return place


def _given(folder: Folder, setup: dict[str, str]) -> dict[str, Path]:
    """For each chosen name of a kind: the attempt folder's file it becomes, and the file it is copied from."""
    given = {f"{SETUP[kind]}.toml": folder.existing(kind, setup[kind]) for kind in ("vehicles", "courses", "lenses")
             if setup[kind]}
    return given | ({"rules.toml": rules_file(folder, setup["rules"])} if setup["rules"] else {})


def shipped_rules() -> dict[str, Path]:
    """The rule sets that come with the program, by name."""
    data = Path(cli.__file__).parent / "data"
    return {p.name.removesuffix(".rules.toml"): p for p in sorted(data.glob("*.rules.toml"))}


def rule_sets(folder: Folder) -> dict[str, str]:
    """All rule sets there are, the usual one first: name and title."""
    names = ("usual", *sorted({*shipped_rules(), *folder.names("rules")} - {"usual"}))
    return {name: files.read_rules(rules_file(folder, name)).name for name in names}


def rules_file(folder: Folder, name: str) -> Path:
    """The school's own rule set of this name, or else the shipped one."""
    own = folder.place("rules", name)
    if own.is_file():
        return own
    if name not in shipped_rules():
        raise NotThere(name)
    return shipped_rules()[name]


def _code(body: dict[str, Any], who: str) -> str:
    from cli.analyse import code  # with it comes all that measures: not before it is needed
    return code(who, text_of(body, who) or None) or ""


async def again(request: Request) -> Response:
    """Analyse an attempt anew, with the files in its folder or with others in their place; what people said stays."""
    p, name, fields = parts(request), request.path_params["attempt"], await form_of(request)
    place = p.folder.existing("attempts", name)
    if not p.folder.recordings(name) or not (place / REQUEST).is_file():
        raise NotThere(name)
    going_on = p.queue.of(name, "analyse")
    if going_on and not going_on.over:
        raise Trouble("it is being analysed already", where=name, remedy="wait until that is done, or cancel it first")
    given = _given(p.folder, {kind: fields.get(key, "") for kind, key in SETUP.items()})
    check_room(files.read_course(given.get("course.toml", place / "course.toml")),
               files.read_vehicle(given.get("vehicle.toml", place / "vehicle.toml")))
    for file, source in given.items():
        write_whole(place / file, source.read_text("utf-8"))
    asked = json.loads((place / REQUEST).read_text("utf-8"))
    write_whole(place / REQUEST, json.dumps(asked | {"quick": "quick" in fields}))
    p.queue.add("analyse", name, name)
    return RedirectResponse("/", 303)


async def queue(request: Request) -> Response:
    return JSONResponse([shown(job) for job in parts(request).queue.all()])


def _forget_clip(folder: Folder, job: Job) -> None:
    """A clip that was never analysed goes with its job; a finished attempt stays."""
    place = folder.place("attempts", job.attempt)
    if job.task == "analyse" and job.over and place.is_dir() and not (place / store.RECORD).exists():
        folder.remove(job.attempt)


def shown(job: Job) -> dict[str, Any]:
    return {"id": job.id, "task": job.task, "attempt": job.attempt, "label": job.label, "state": job.state,
            "stage": job.stage, "fraction": job.fraction, "problem": job.problem}


async def steer(request: Request) -> Response:
    """cancel, resume or forget a job."""
    q, job, what = parts(request).queue, request.path_params["job"], request.path_params["what"]
    if what == "cancel":
        q.cancel(job)
    elif what == "resume":
        q.resume(job)
    elif what == "forget":
        await asyncio.to_thread(_forget_clip, parts(request).folder, q.get(job))
        q.forget(job)
    else:
        raise NotThere(what)
    return Response(status_code=204)


ROUTES = [
    Route("/uploads", begin, methods=["POST"]),
    Route("/uploads/{upload}", append, methods=["PATCH"]),
    Route("/uploads/{upload}", drop, methods=["DELETE"]),
    Route("/attempts/{attempt}/again", again, methods=["POST"]),
    Route("/queue", queue),
    Route("/queue", add_job, methods=["POST"]),
    Route("/queue/{job}/{what}", steer, methods=["POST"]),
]
