"""A copy of an attempt to pass on: one file, or a folder in a zip, which opens offline; with people's word in it."""

from __future__ import annotations

import base64
import json
import os
import re
import zipfile
from collections.abc import Callable, Mapping
from html import escape
from pathlib import Path

from analysis.trouble import Trouble
from cli import store
from cli.app import vtt
from cli.app.blur import blur_people
from cli.app.folder import Folder
from cli.app.people import Standing, standing
from cli.app.rewrite import take_apart
from cli.app.telling import Telling
from cli.app.wording import View
from cli.held import own_folder
from cli.overlay import EMBED_LIMIT_BYTES

SHARE, ASKED = "share", "share.json"
SINGLE, ZIP = "attempt.html", "attempt.zip"
_CLIP = "clip.mp4"
_MAKING = ".making-"


def make_share(place: Path, report: Callable[[str, float], None]) -> None:
    """Write share/attempt.html or share/attempt.zip in the attempt folder, as share.json there asks. Raises Trouble."""
    asked = json.loads((place / SHARE / ASKED).read_text("utf-8"))
    folder, name = Folder(place.parents[1]), place.name
    page = (folder.attempt(name) / store.REVIEW).read_text("utf-8")
    source = place / store.VIEWING_COPY if (place / store.VIEWING_COPY).is_file() else folder.recordings(name)[0]
    with own_folder(_MAKING, place / SHARE) as making:
        clip = source
        if asked["blur"]:
            data = take_apart(page, lambda text: text).data
            clip = making / _CLIP
            blur_people(source, data or {}, clip, report)
        report("writing the copy", 0.0)
        s, tell = standing(folder, name), Telling(View(asked["language"]))
        page = with_word(page, s, tell)
        out = making / (SINGLE if asked["single"] else ZIP)
        if asked["single"]:
            if clip.stat().st_size > EMBED_LIMIT_BYTES:
                raise Trouble(f"the clip has {clip.stat().st_size / 1e6:.0f} MB, too much for a single page",
                              where=name, remedy="share it as a folder")
            out.write_text(with_clip(page, embedded=clip.read_bytes()), "utf-8")
        else:
            pages = {"index.html": with_clip(page, beside=_CLIP),
                     "captions.vtt": vtt.captions(s.now.findings, tell.sentence, s.record["t_end_s"]),
                     "chapters.vtt": vtt.chapters(s.record, tell.words.say)}
            if (place / store.TRAINEE).is_file() and not asked["blur"]:
                # it holds a picture of the clip, which would show again what was blurred
                pages[store.TRAINEE] = with_word((place / store.TRAINEE).read_text("utf-8"), s, tell, headline=False)
            _zip(out, place, pages, clip)
        os.replace(out, place / SHARE / out.name)
        (place / SHARE / (ZIP if asked["single"] else SINGLE)).unlink(missing_ok=True)


def _zip(out: Path, place: Path, pages: Mapping[str, str], clip: Path) -> None:
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        for name, text in pages.items():
            z.writestr(name, text)
        z.write(clip, _CLIP, zipfile.ZIP_STORED)
        for name in (store.PLAN_PNG, store.PLAN_SVG):
            if (place / name).is_file():
                z.write(place / name, name)


def with_clip(page: str, *, embedded: bytes | None = None, beside: str = "") -> str:
    """The review page with this clip in place of the one it had."""
    data = base64.b64encode(embedded).decode() if embedded else ""
    page = re.sub(r'(<script type="text/plain" id="clip-bytes">)[^<]*', lambda m: m[1] + data, page, count=1)
    page = re.sub(r'(<video\b[^>]*?)\s+src="[^"]*"', r"\1", page, count=1)
    return re.sub(r"<video\b", f'<video src="{escape(beside)}"', page, count=1) if beside else page


def with_word(page: str, s: Standing, tell: Telling, *, headline: bool = True) -> str:
    """A stored page with what people said under its head, and with the verdict that holds now as its headline."""
    if not s.corrections:
        return page
    undone = {c.withdraws for c in s.corrections}
    lines = []
    for c in s.corrections:
        if c.action == "withdraw" or c.id in undone:
            continue
        what = tell.title(c.finding.kind, c.finding.where) if c.finding else tell.words.say("script.whole")
        told = [what, tell.words.say(f"script.log_{c.action}"), tell.verdict(c.verdict) if c.verdict else "", c.reason]
        lines.append(f"<li>{escape(' · '.join(t for t in told if t))} ({escape(c.by)}, {escape(c.at[:10])})</li>")
    if headline:
        page = re.sub(r"(<h1[^>]*>)[^<]*", lambda m: m[1] + escape(tell.headline(s)), page, count=1)
    title = escape(tell.words.say("review.said"))
    said = (f'<section class="below"><section aria-label="{title}"><h2>{title}: {escape(tell.verdict(s.verdict))}</h2>'
            f"<ul>{''.join(lines)}</ul></section></section>")
    return page.replace("</header>", "</header>" + said, 1)
