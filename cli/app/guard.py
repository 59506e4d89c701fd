"""Who may ask, and what a page may do. Everything a request must pass before it reaches a page.

Host and origin are compared with the list of addresses the app answers at, so that neither a page elsewhere on the
web (cross-site request) nor a name that suddenly points at this machine (DNS rebinding) can use the app.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import secrets
from collections.abc import Callable, Iterable

from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from analysis.trouble import Trouble

CONTENT_POLICY = ("default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
                  "media-src 'self' blob:; connect-src 'self'; form-action 'self'; base-uri 'none'; "
                  "frame-ancestors 'none'")
HEADERS = {"content-security-policy": CONTENT_POLICY, "x-content-type-options": "nosniff",
           "referrer-policy": "same-origin", "cross-origin-opener-policy": "same-origin",
           "cross-origin-resource-policy": "same-origin",
           "permissions-policy": "camera=(), microphone=(), geolocation=()"}
SAFE = ("GET", "HEAD")
LARGEST_BODY_BYTES = 1_000_000
LARGEST_HEADERS_BYTES = 32_000
PATIENCE_S = 60.0  # for the next bytes of a request; a line that is so slow is given up
LEAST_PASSPHRASE = 12
SESSION = "tailtrace_session"
_OPEN = ("/login", "/static/")  # what can be seen before the passphrase is given
_PAUSE_AFTER_WRONG_S = 1.0


class Passphrase:
    """The passphrase of an app that is served on a network; sessions end with the server."""

    def __init__(self, phrase: str) -> None:
        if len(phrase) < LEAST_PASSPHRASE:
            raise Trouble(f"the passphrase has {len(phrase)} characters", where="--network",
                          remedy=f"use at least {LEAST_PASSPHRASE}: four or five words will do")
        self._salt = secrets.token_bytes(16)
        self._digest = self._hash(phrase)
        self._session = secrets.token_urlsafe(32)
        self._turn = asyncio.Lock()

    def _hash(self, phrase: str) -> bytes:
        return hashlib.scrypt(phrase.encode(), salt=self._salt, n=2**14, r=8, p=1)

    async def session_for(self, phrase: str) -> str | None:
        """The session's secret if the phrase is right. One try at a time, and a wrong one takes a second."""
        async with self._turn:
            if hmac.compare_digest(await asyncio.to_thread(self._hash, phrase[:200]), self._digest):
                return self._session
            await asyncio.sleep(_PAUSE_AFTER_WRONG_S)
            return None

    def is_session(self, secret: str) -> bool:
        return hmac.compare_digest(secret.encode(), self._session.encode())


class Guard:
    """ASGI middleware: refuses foreign hosts and origins, asks for the passphrase, limits bodies, sets headers."""

    def __init__(self, app: ASGIApp, *, addresses: Iterable[str], passphrase: Passphrase | None,
                 unlimited: Callable[[str], bool]) -> None:
        self._app = app
        self._hosts = frozenset(addresses)
        self._origins = frozenset(f"http://{a}" for a in self._hosts)
        self._passphrase = passphrase
        self._unlimited = unlimited

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        request = Request(scope)
        refusal = self._refusal(request)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                have = {k for k, _ in message["headers"]}
                extra = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in have]
                if not scope["path"].startswith("/static/") and b"cache-control" not in have:
                    extra.append((b"cache-control", b"no-store"))
                message = {**message, "headers": [*message["headers"], *extra]}
            await send(message)

        if refusal is not None:
            await refusal(scope, receive, send_with_headers)
            return
        limit = None if self._unlimited(scope["path"]) else LARGEST_BODY_BYTES
        await self._app(scope, _limited(receive, limit, PATIENCE_S), send_with_headers)

    def _refusal(self, request: Request) -> Response | None:
        headers = request.headers
        if headers.get("host", "") not in self._hosts:
            return PlainTextResponse("This address is not served here.", 421)
        if sum(len(k) + len(v) for k, v in headers.raw) > LARGEST_HEADERS_BYTES:
            return PlainTextResponse("The request's headers are too large.", 431)
        if request.method not in SAFE:
            # Browsers name the page that sends; one that does not say so is not let in.
            if headers.get("origin", "") not in self._origins:
                return PlainTextResponse("Only the app's own pages may change anything.", 403)
            length = headers.get("content-length", "")
            if not self._unlimited(request.url.path) and length.isdigit() and int(length) > LARGEST_BODY_BYTES:
                return PlainTextResponse("Too much was sent at once.", 413)
        elif headers.get("sec-fetch-site", "none") not in ("none", "same-origin") \
                and headers.get("sec-fetch-mode", "") != "navigate":
            return PlainTextResponse("Only the app's own pages may read from here.", 403)
        if self._passphrase and not request.url.path.startswith(_OPEN) \
                and not self._passphrase.is_session(request.cookies.get(SESSION, "")):
            return (RedirectResponse("/login", 303) if request.method in SAFE
                    else PlainTextResponse("Give the passphrase first.", 401))
        return None


class TooMuch(Exception):
    """More was sent than a request may hold."""


class TooSlow(Exception):
    """A request did not arrive in time."""


def _limited(receive: Receive, limit: int | None, patience_s: float) -> Receive:
    """`receive`, which gives up on more than `limit` bytes in all, and on a body that stops arriving."""
    left, arriving = limit, True

    async def counted() -> Message:
        nonlocal left, arriving
        try:
            message = await asyncio.wait_for(receive(), patience_s if arriving else None)
        except TimeoutError:
            raise TooSlow from None
        arriving = bool(message.get("more_body", False))
        if left is not None:
            left -= len(message.get("body", b""))
            if left < 0:
                raise TooMuch
        return message

    return counted
