"""The app put together and served: `tailtrace serve`."""

from __future__ import annotations

import asyncio
import getpass
import importlib
import os
import socket
import sys
import webbrowser
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles

from analysis.trouble import Trouble
from cli.app import (
    routes_about,
    routes_attempts,
    routes_clips,
    routes_compare,
    routes_course,
    routes_marks,
    routes_review,
    routes_school,
    routes_setout,
    routes_setup,
    routes_share,
    routes_view,
)
from cli.app.context import Parts, page, refused
from cli.app.folder import Folder, NotThere
from cli.app.guard import Guard, Passphrase, TooMuch, TooSlow
from cli.app.jobs import Queue, Runner
from cli.app.runner import SubprocessRunner
from cli.app.take_up import take_up
from cli.app.uploads import OutOfStep, Uploads
from cli.held import held
from cli.whole import disk_trouble, is_of_the_disk

PAGES = (routes_about, routes_attempts, routes_clips, routes_compare, routes_course, routes_marks, routes_review,
         routes_school, routes_setout, routes_setup, routes_share, routes_view)
PORT = 8350
MOST_AT_ONCE = 400  # connections: a browser opens six, and twenty people may review
PASSPHRASE_VARIABLE = "TAILTRACE_PASSPHRASE"
_CLEAR_EVERY_S = 3600.0


def build(root: Path, *, addresses: Sequence[str], passphrase: Passphrase | None = None,
          runner: Runner | None = None) -> Starlette:
    """The app over the folder `root`. addresses: what the Host header may say, with the port."""
    folder = Folder(root)
    parts = Parts(folder, Queue(folder, runner or SubprocessRunner()), Uploads(folder), passphrase)

    @asynccontextmanager
    async def running(app: Starlette) -> AsyncIterator[None]:
        take_up(parts.folder, parts.queue, parts.uploads)
        tasks = [asyncio.create_task(parts.queue.work()), asyncio.create_task(_keep_clear(parts.uploads)),
                 # what measures takes seconds to load: not while somebody waits for an answer
                 asyncio.create_task(asyncio.to_thread(importlib.import_module, "cli.analyse"))]
        yield
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    routes: list[BaseRoute] = [route for part in PAGES for route in part.ROUTES]
    routes.append(Mount("/static", StaticFiles(packages=[("cli.app", "static")])))
    app = Starlette(routes=routes, lifespan=running,
                    middleware=[Middleware(Guard, addresses=addresses, passphrase=passphrase,
                                           unlimited=routes_clips.takes_pieces)],
                    exception_handlers={NotThere: _not_there, 404: _not_there, Trouble: _trouble, TooMuch: _too_much,
                                        TooSlow: _too_slow, OutOfStep: _out_of_step, OSError: _disk})
    app.state.parts = parts
    return app


def serve(root: Path, *, port: int = PORT, network: str | None = None, open_browser: bool = True,
          passphrase: str | None = None) -> None:
    """Serve until interrupted. network: the address of this machine to serve on besides loopback."""
    phrase = _passphrase(passphrase) if network else None
    host = network or "127.0.0.1"
    names = ("127.0.0.1", "localhost", *([network] if network else []))
    addresses = [name if port == 80 else f"{name}:{port}" for name in names]  # browsers leave the usual port out
    listeners = [_listener(name, port) for name in dict.fromkeys(("127.0.0.1", host))]
    with held(Folder(root).root, wait=False) as mine, suppress(KeyboardInterrupt):
        if mine is False:
            raise Trouble("is open in another tailtrace already", where=str(root),
                          remedy="look for it in the browser, or end it first")
        app = build(root, addresses=addresses, passphrase=phrase)
        address = f"http://{host}:{port}/"
        print(f"tailtrace is at {address}   (end with Ctrl+C)")
        if network:
            print("Everybody on this network who knows the passphrase can see the clips. The connection is not "
                  "encrypted: use a network you trust.")
        if open_browser:
            webbrowser.open(address)
        uvicorn.Server(uvicorn.Config(app, log_level="warning", server_header=False, limit_concurrency=MOST_AT_ONCE,
                                      timeout_graceful_shutdown=3)).run(sockets=listeners)


def _passphrase(given: str | None) -> Passphrase:
    phrase = given or os.environ.get(PASSPHRASE_VARIABLE)
    if phrase is None and sys.stdin.isatty():
        phrase = getpass.getpass("Passphrase for this network: ")
    if not phrase:
        raise Trouble("a passphrase is needed to serve on a network", where="--network",
                      remedy=f"start it in a terminal and type one, or set {PASSPHRASE_VARIABLE}")
    return Passphrase(phrase)


def _listener(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name == "posix":  # elsewhere this option would let a second program take the address over
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(128)
        return listener
    except OSError as e:
        listener.close()
        raise Trouble(f"port {port} cannot be used ({e.strerror or e})", where=f"{host}:{port}",
                      remedy="is tailtrace running already? look in the browser, or name another --port") from None


async def _keep_clear(uploads: Uploads) -> None:
    while True:
        await asyncio.to_thread(uploads.clear_abandoned)
        await asyncio.sleep(_CLEAR_EVERY_S)


def _wants_page(request: Request) -> bool:
    return "text/html" in request.headers.get("accept", "")


async def _not_there(request: Request, exc: Exception) -> Response:
    if _wants_page(request):
        return page(request, "not_there.html", status=404)
    return refused(Trouble("there is nothing by this name", remedy="reload the page"), 404)


async def _trouble(request: Request, exc: Exception) -> Response:
    assert isinstance(exc, Trouble)
    if _wants_page(request):
        return page(request, "trouble.html", status=422, trouble=exc)
    return refused(exc)


async def _disk(request: Request, exc: Exception) -> Response:
    assert isinstance(exc, OSError)
    if not is_of_the_disk(exc):
        raise exc
    trouble = disk_trouble(exc)
    if _wants_page(request):
        return page(request, "trouble.html", status=507, trouble=trouble)
    return refused(trouble, 507)


async def _too_much(request: Request, exc: Exception) -> Response:
    return refused(Trouble("too much was sent at once", remedy="reload the page and try again"), 413)


async def _too_slow(request: Request, exc: Exception) -> Response:
    return refused(Trouble("the rest of it did not arrive", remedy="try again"), 408)


async def _out_of_step(request: Request, exc: Exception) -> Response:
    assert isinstance(exc, OutOfStep)
    return Response(str(exc.offset), 409, media_type="text/plain")


