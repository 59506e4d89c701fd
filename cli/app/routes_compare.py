"""Two attempts side by side, aligned by how far was driven."""

from __future__ import annotations

import asyncio
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from cli import store
from cli.app.context import page, parts
from cli.app.folder import Folder
from cli.app.people import standing
from cli.app.rewrite import take_apart


async def compare(request: Request) -> Response:
    names = request.query_params.getlist("of")
    if len(names) != 2:
        return RedirectResponse("/", 303)
    folder = parts(request).folder
    both = [await asyncio.to_thread(_side, folder, name) for name in names]
    return page(request, "compare.html", both=both)


def _side(folder: Folder, name: str) -> dict[str, Any]:
    s = standing(folder, name)
    data = take_apart((folder.attempt(name) / store.REVIEW).read_text("utf-8"), lambda text: text).data or {}
    return {"name": name, "trainee": s.trainee, "run_on": s.run_on, "verdict": s.verdict,
            "data": {k: data.get(k) for k in ("duration", "motion", "bodies", "lines", "box", "marks")},
            "legs": s.record["legs"]}


ROUTES = [Route("/compare", compare)]
