"""What every page needs: the app's parts, the templates, and the wording and view of whoever asks."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from analysis.trouble import Trouble
from cli.app.folder import Folder
from cli.app.guard import Passphrase
from cli.app.jobs import Queue
from cli.app.uploads import Uploads
from cli.app.wording import COOKIE, LANGUAGES, View, Wording, in_units, view_of_cookie
from cli.records import strict_json


@dataclass(frozen=True)
class Parts:
    folder: Folder
    queue: Queue
    uploads: Uploads
    passphrase: Passphrase | None


_TEMPLATES = Environment(loader=PackageLoader("cli.app"), autoescape=True, undefined=StrictUndefined,
                         trim_blocks=True, lstrip_blocks=True)


def parts(request: Request) -> Parts:
    return request.app.state.parts


def view(request: Request) -> View:
    return view_of_cookie(request.cookies.get(COOKIE, ""), request.headers.get("accept-language", ""))


def page(request: Request, template: str, *, status: int = 200, **values: Any) -> Response:
    """A page from a template. `say` gives its words, `lengths` puts figures into the asker's units."""
    seen = view(request)
    words = Wording(seen.language)
    text = _TEMPLATES.get_template(template).render(
        say=words.say, view=seen, languages=LANGUAGES, here=request.url.path, data=data_block,
        lengths=lambda t: in_units(t, seen.units), with_passphrase=parts(request).passphrase is not None,
        js_words=data_block(dict(words.section("script"))), **values)
    return HTMLResponse(text, status)


def data_block(value: Any) -> Markup:
    """JSON that can stand inside a script element of type application/json, and cannot end it."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029"))


def refused(trouble: Trouble, status: int = 422) -> Response:
    """A Trouble for a script: what, where, remedy."""
    return JSONResponse({"what": trouble.what, "where": trouble.where, "remedy": trouble.remedy}, status)


async def json_body(request: Request) -> dict[str, Any]:
    """The request's JSON object. Raises Trouble for anything else."""
    try:
        body = strict_json(await request.body())
    except (ValueError, RecursionError):
        body = None
    if not isinstance(body, dict):
        raise Trouble("the request is not understood", remedy="reload the page and try again")
    return body


def text_of(body: dict[str, Any], key: str, longest: int = 200) -> str:
    """A short text from a request's JSON, trimmed; '' when absent. Raises Trouble for anything else."""
    value = body.get(key) or ""
    if not isinstance(value, str) or len(value) > longest:
        raise Trouble(f"'{key}' is not a text of up to {longest} characters", remedy="shorten it")
    return value.strip()
