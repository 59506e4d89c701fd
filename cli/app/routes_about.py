"""What is noted of an attempt as a whole, and taking an attempt off this machine."""

from __future__ import annotations

import asyncio
import hashlib
import json
from dataclasses import asdict
from datetime import date

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from analysis.trouble import Trouble
from cli.app.context import page, parts
from cli.app.people import standing
from cli.app.routes_clips import SETUP, rule_sets
from cli.app.routes_view import form_of
from cli.library.people import About, read_about, write_about


async def form(request: Request) -> Response:
    folder, name = parts(request).folder, request.path_params["attempt"]
    about = read_about(folder.attempt(name))
    return page(request, "about.html", name=name, s=standing(folder, name), about=about, was=_mark(about),
                setup={key: folder.names(kind) for kind, key in SETUP.items() if kind != "rules"},
                rule_sets=rule_sets(folder), recorded=bool(folder.recordings(name)))


async def keep(request: Request) -> Response:
    """Replace the notes, unless somebody else replaced them since this form was shown."""
    from cli.analyse import code
    folder, name, fields = parts(request).folder, request.path_params["attempt"], await form_of(request)
    place = folder.attempt(name)
    if fields.get("was") != _mark(read_about(place)):
        raise Trouble("somebody else changed this in the meantime", where=name,
                      remedy="open it again: it shows what stands there now")
    day = fields.get("run_on", "").strip()
    try:
        run_on = date.fromisoformat(day) if day else None
    except ValueError:
        raise Trouble(f"'{day[:20]}' is not a day", where="run_on", remedy="write it as 2026-11-25") from None
    write_about(place, About(code("trainee", fields.get("trainee", "").strip() or None),
                             code("instructor", fields.get("instructor", "").strip() or None), run_on,
                             fields.get("weather", "").strip()[:200], fields.get("notes", "").strip()[:4000]))
    return RedirectResponse(f"/attempts/{name}", 303)


def _mark(about: About) -> str:
    """Tells one state of the notes from another."""
    return hashlib.sha256(json.dumps(asdict(about), default=str).encode()).hexdigest()[:16]


async def remove(request: Request) -> Response:
    """Take an attempt off this machine: clip, results and what people said. Its name must be typed."""
    p, name, fields = parts(request), request.path_params["attempt"], await form_of(request)
    p.folder.existing("attempts", name)
    if fields.get("name", "").strip() != name:
        raise Trouble("the name typed is another", where=name, remedy="type the attempt's name to remove it")
    for job in [j for j in p.queue.all() if j.attempt == name]:
        if not job.over:
            raise Trouble("it is being worked on", where=name, remedy="cancel that first")
        p.queue.forget(job.id)
    await asyncio.to_thread(p.folder.remove, name)
    return RedirectResponse("/", 303)


ROUTES = [
    Route("/attempts/{attempt}/about", form),
    Route("/attempts/{attempt}/about", keep, methods=["POST"]),
    Route("/attempts/{attempt}/remove", remove, methods=["POST"]),
]
