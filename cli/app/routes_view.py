"""How pages look (language, theme, units, hand), the colours they are given, and the passphrase."""

from __future__ import annotations

from importlib import resources
from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from cli.app.context import page, parts, view
from cli.app.folder import NotThere
from cli.app.guard import SESSION
from cli.app.themes import colours_css
from cli.app.wording import COOKIE, view_of

_YEAR_S = 365 * 24 * 3600


async def lists_of(request: Request) -> dict[str, list[str]]:
    """The fields of a small form, each with all its values."""
    return parse_qs((await request.body()).decode("utf-8", "replace"), keep_blank_values=True)


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a small form."""
    return {k: v[-1] for k, v in (await lists_of(request)).items()}


def here_only(path: str) -> str:
    """A path of this app; anything that could lead elsewhere becomes the first page."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) and "\n" not in path else "/"


async def show_view(request: Request) -> Response:
    return page(request, "view.html", back=here_only(request.query_params.get("back", "/")))


async def set_view(request: Request) -> Response:
    fields = await form_of(request)
    response = RedirectResponse(here_only(fields.get("back", "/")), 303)
    response.set_cookie(COOKIE, view_of(fields).cookie(), max_age=_YEAR_S, samesite="strict", httponly=True)
    return response


async def colours(request: Request) -> Response:
    return Response(colours_css(view(request).theme), media_type="text/css")


async def login(request: Request) -> Response:
    return page(request, "login.html", wrong=False)


async def try_login(request: Request) -> Response:
    guard = parts(request).passphrase
    if guard is None:
        return RedirectResponse("/", 303)
    secret = await guard.session_for((await form_of(request)).get("passphrase", ""))
    if secret is None:
        return page(request, "login.html", status=401, wrong=True)
    response = RedirectResponse("/", 303)
    response.set_cookie(SESSION, secret, samesite="strict", httponly=True)
    return response


_REVIEW_PARTS = {"review.css": "text/css", "review.js": "text/javascript", "trainee.css": "text/css"}


async def review_part(request: Request) -> Response:
    """The style and script that stored review pages were made with."""
    name = request.path_params["name"]
    part = resources.files("cli.pages") / name
    if name not in _REVIEW_PARTS or not part.is_file():
        raise NotThere(name)
    return Response(part.read_text("utf-8"), media_type=_REVIEW_PARTS[name])


async def favicon(request: Request) -> Response:
    """Browsers ask for it on pages that name no icon."""
    return RedirectResponse("/static/icon.svg", 301)


ROUTES = [
    Route("/favicon.ico", favicon),
    Route("/view", show_view),
    Route("/view", set_view, methods=["POST"]),
    Route("/view/colours.css", colours),
    Route("/view/pages/{name}", review_part),
    Route("/login", login),
    Route("/login", try_login, methods=["POST"]),
]
