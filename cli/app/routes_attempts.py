"""The first page: bring a clip in, what is being worked on, and the attempts there are."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from cli import files
from cli.app.context import page, parts
from cli.app.folder import Folder, NotThere
from cli.app.people import standing
from cli.app.routes_clips import rules_file, shipped_rules


@dataclass(frozen=True)
class Row:
    """One finished attempt in the list. verdict and faults are those after people's corrections."""

    name: str
    run_on: str
    trainee: str
    instructor: str
    vehicle: str
    verdict: str
    faults: int
    corrected: bool


def rows(folder: Folder, trainee: str | None = None) -> list[Row]:
    """All finished attempts, newest first; those of one trainee if asked for."""
    found = []
    for name in folder.names("attempts"):
        try:
            s = standing(folder, name)
        except NotThere:
            continue
        if trainee is None or s.trainee == trainee:
            found.append(Row(name, s.run_on, s.trainee, s.instructor, s.record["vehicle"]["name"], s.verdict, s.faults,
                             bool(s.corrections)))
    return sorted(found, key=lambda r: (r.run_on, r.name), reverse=True)


async def home(request: Request) -> Response:
    folder = parts(request).folder
    vehicles, courses, lenses = (folder.names(kind) for kind in ("vehicles", "courses", "lenses"))
    if not vehicles or not courses:
        return RedirectResponse("/setup", 303)
    rule_sets = {name: files.read_rules(rules_file(folder, name)).name
                 for name in ("usual", *sorted({*shipped_rules(), *folder.names("rules")} - {"usual"}))}
    return page(request, "home.html", vehicles=vehicles, courses=courses, lenses=lenses, rule_sets=rule_sets,
                rows=await asyncio.to_thread(rows, folder))


async def trainee(request: Request) -> Response:
    """Progress of one trainee over attempts."""
    code = request.path_params["code"]
    found = await asyncio.to_thread(rows, parts(request).folder, code)
    if not found:
        raise NotThere(code)
    return page(request, "trainee.html", code=code, rows=list(reversed(found)),
                most=max(1, *(r.faults for r in found)))


ROUTES = [Route("/", home), Route("/trainees/{code}", trainee)]
