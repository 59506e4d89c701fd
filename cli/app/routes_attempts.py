"""The first page: bring a clip in, what is being worked on, and the attempts there are; and a trainee's progress."""

from __future__ import annotations

import asyncio

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from cli.app.context import page, parts
from cli.app.folder import Folder, NotThere
from cli.app.index import library
from cli.app.routes_clips import rule_sets
from cli.library.query import Filter, Row, count, find

ON_A_PAGE = 50
_MOST_OF_ONE = 500  # attempts of one trainee


async def home(request: Request) -> Response:
    folder = parts(request).folder
    vehicles, courses, lenses = (folder.names(kind) for kind in ("vehicles", "courses", "lenses"))
    if not vehicles or not courses:
        return RedirectResponse("/setup", 303)
    asked = request.query_params.get("page", "1")
    number = int(asked) if asked.isdecimal() and 0 < int(asked) < 10_000 else 1
    rows, total = await asyncio.to_thread(_listed, folder, Filter(), ON_A_PAGE, (number - 1) * ON_A_PAGE)
    return page(request, "home.html", vehicles=vehicles, courses=courses, lenses=lenses, rule_sets=rule_sets(folder),
                rows=rows, number=number, last=max(1, -(-total // ON_A_PAGE)))


async def trainee(request: Request) -> Response:
    """Progress of one trainee over attempts, oldest first."""
    code = request.path_params["code"]
    rows, _ = await asyncio.to_thread(_listed, parts(request).folder, Filter(trainee=code), _MOST_OF_ONE, 0)
    if not rows:
        raise NotThere(code)
    return page(request, "trainee.html", code=code, rows=rows[::-1], most=max(1, *(r.faults for r in rows)))


def _listed(folder: Folder, asked: Filter, limit: int, offset: int) -> tuple[list[Row], int]:
    """The newest attempts that were asked for, and how many there are in all."""
    with library(folder) as opened:
        return find(opened, asked, order="newest", limit=limit, offset=offset), count(opened, asked)


ROUTES = [Route("/", home), Route("/trainees/{code}", trainee)]
