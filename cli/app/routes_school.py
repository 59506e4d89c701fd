"""The school's audit over all attempts: static pages, made anew when anything in the library has changed."""

from __future__ import annotations

import asyncio
import re
import shutil
import threading
from pathlib import Path

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from cli.app.context import parts
from cli.app.folder import Folder, NotThere
from cli.app.index import library

_FILE = re.compile(r"[a-z0-9-]{1,60}\.(html|css|js)")
_KINDS = {"html": "text/html", "css": "text/css", "js": "text/javascript"}
_MAKING = threading.Lock()


async def school(request: Request) -> Response:
    return RedirectResponse("/school/index.html", 303)


async def file(request: Request) -> Response:
    name = request.path_params["file"]
    found = _FILE.fullmatch(name)
    if found is None:
        raise NotThere(name)
    folder = parts(request).folder
    site = await asyncio.to_thread(_site, folder) if name.endswith(".html") else _newest(folder)
    path = site / name if site else None
    if path is None or not path.is_file():
        raise NotThere(name)
    text = path.read_text("utf-8")
    if name.endswith(".html"):  # these pages stand alone; here they lead back
        return HTMLResponse(text.replace('<p class="brand">tailtrace', '<p class="brand"><a href="/">tailtrace</a>', 1))
    return Response(text, media_type=_KINDS[found[1]])


def _newest(folder: Folder) -> Path | None:
    return max((folder.root / "audit").glob("*"), key=lambda p: p.stat().st_mtime, default=None)


def _site(folder: Folder) -> Path:
    """The audit's pages for the library as it now is. Raises Trouble when there is no attempt."""
    from cli.audit import write_audit
    with _MAKING, library(folder) as opened:
        site = folder.root / "audit" / re.sub(r"[^A-Za-z0-9_-]", "-", opened.revision())
        if not (site / "index.html").is_file():
            shutil.rmtree(folder.root / "audit", ignore_errors=True)
            write_audit(opened, site, attempt_href=lambda attempt: f"/attempts/{attempt}")
        return site


ROUTES = [Route("/school", school), Route("/school/{file}", file)]
