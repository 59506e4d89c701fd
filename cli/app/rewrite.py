"""A page that was stored as one self-contained file, taken apart so that the app can show it under its own policy.

Stored pages carry style, script and data inside themselves so that they open offline. The app allows no script or
style inside a page: scripts and styles are dropped here (the app sends its own copies of the same), styles of single
elements become data that a script of the app applies, and the page's data are handed over apart. Fixed texts pass
through `text`, for the language and the units of whoever asks.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from html.parser import HTMLParser
from typing import Any

from analysis.trouble import Trouble
from cli.records import strict_json

_VOID = frozenset({"area", "br", "col", "hr", "img", "input", "link", "meta", "source", "track", "wbr"})
_DROPPED = frozenset({"meta", "base", "link", "iframe", "frame", "object", "embed", "applet", "form"})
"""What no stored page has, and what a page written by others could lead away with."""
_ADDRESSES = frozenset({"href", "src", "xlink:href", "action", "formaction", "poster", "data", "srcdoc", "ping"})
_INSIDE = re.compile(r"\s*(#|data:image/|blob:)")
_WORDS = ("title", "aria-label", "placeholder", "alt")


@dataclass(frozen=True)
class Taken:
    """A stored page taken apart: what is inside its body, without scripts; the JSON of its element #data; the script
    it was made with, which is never run, only compared with the app's own."""

    body: str
    data: dict[str, Any] | None
    script: str


def take_apart(page: str, text: Callable[[str], str], *, clip: str = "", tracks: str = "") -> Taken:
    """clip: the address to play in place of what the page held; tracks: markup put inside the video element.

    Raises Trouble for a page whose data are damaged."""
    reader = _Reader(text, clip, tracks)
    reader.feed(page)
    reader.close()
    try:
        data = strict_json(reader.data) if reader.data else None
    except (ValueError, RecursionError):
        data = ()
    if data is not None and not isinstance(data, dict):
        raise Trouble("the stored page cannot be read", remedy="analyse the clip again")
    return Taken("".join(reader.out), data, reader.script.strip())


class _Reader(HTMLParser):
    def __init__(self, text: Callable[[str], str], clip: str, tracks: str) -> None:
        super().__init__(convert_charrefs=True)
        self._text, self._clip, self._tracks = text, clip, tracks
        self.out: list[str] = []
        self.data = self.script = ""
        self._in_body = False
        self._skipping = ""
        self._which = ""
        self._findings = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._open(tag, attrs, "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._open(tag, attrs, "" if tag in _VOID else "/")

    def _open(self, tag: str, attrs: list[tuple[str, str | None]], end: str) -> None:
        if tag == "body":
            self._in_body = True
            return
        if tag in ("script", "style"):
            self._skipping, self._which = tag, dict(attrs).get("id") or ""
            return
        if not self._in_body or tag in _DROPPED:
            return
        kept = [self._attribute(k, v) for k, v in attrs
                if not k.startswith("on") and (k not in _ADDRESSES or _INSIDE.match(v or ""))]
        if tag == "button" and "finding" in (dict(attrs).get("class") or "").split():
            kept.append(f' data-finding="{self._findings}"')
            self._findings += 1
        if tag == "video":
            kept = [a for a in kept if not a.startswith(" src=")] + [f' src="{escape(self._clip)}"']
        self.out.append(f"<{tag}{''.join(kept)}{end}>")
        if tag == "video":
            self.out.append(self._tracks)

    def _attribute(self, name: str, value: str | None) -> str:
        if value is None:
            return f" {name}"
        if name == "style":
            name = "data-style"
        elif name in _WORDS:
            value = self._worded(value)
        return f' {name}="{escape(value)}"'

    def handle_endtag(self, tag: str) -> None:
        if self._skipping:
            self._skipping = ""
        elif tag == "body":
            self._in_body = False
        elif self._in_body and tag not in _DROPPED:
            self.out.append(f"</{tag}>")

    def handle_data(self, data: str) -> None:
        if self._skipping:
            if self._which == "data":
                self.data += data
            elif self._skipping == "script" and not self._which:
                self.script += data
        elif self._in_body:
            self.out.append(escape(self._worded(data), quote=False))

    def _worded(self, data: str) -> str:
        core = data.strip()
        return data.replace(core, self._text(core)) if core else data
