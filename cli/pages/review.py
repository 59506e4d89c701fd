"""The review page: one HTML file with the clip, the figures and the script inside, which opens offline."""

from __future__ import annotations

import base64
import json
import math
import re
from datetime import date
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.attempt import Attempt, Finding, Motion
from analysis.body import Body
from analysis.track import CameraPath
from cli import scene, words
from cli.overlay import EMBED_LIMIT_BYTES
from cli.pages.charts import Strip, charts_html, gaps, line_clearance, strips
from cli.pages.mirror_strip import mirror_strip
from cli.pages.plan_view import plan_view
from cli.pages.room_view import room_sections, room_strips
from cli.pages.steering import steering_html
from cli.pages.svg import esc, icon
from cli.pages.wheels import wheel_drawing
from cli.palette import OVERLAY, PAPER

LAYERS = (("vehicle", "Vehicle on the ground", True), ("tyre", "Tyres", True), ("trail", "Path of the rear axle", True),
          ("line", "Side lines", True), ("box", "Stopping box", True), ("mark", "Marks found", True),
          ("planned", "Marks as planned", False), ("solid", "Solid as fitted", False),
          ("finding", "Places of findings", True), ("turning", "Turning points", True))
_TOWING = {"vehicle": "Vehicle and trailer on the ground", "trail": "Path of the trailer's axle"}


def review_page(attempt: Attempt, clip: Path, times_s: np.ndarray, *, made_on: date, trainee: str | None) -> str:
    """The page as text.

    `clip` is a file browsers play, embedded up to 25 MB, else named as lying beside the page; times_s (n,) are
    the presentation times of its frames from 0.
    """
    shown = room_strips(attempt) + strips(attempt)
    duration_s = float(times_s[-1])
    embedded = clip.stat().st_size <= EMBED_LIMIT_BYTES
    filled = {
        "title": esc(f"{words.headline(attempt)} · {trainee or attempt.vehicle.name}"),
        "colours": "".join(f"--{k}:{v};" for k, v in PAPER.items()) + "".join(
            f"--on-{k}:{v};" for k, v in OVERLAY.items()),
        "style": _part("review.css"),
        "verdict": words.COLOUR[attempt.verdict],
        "verdict_icon": icon(words.COLOUR[attempt.verdict]),
        "headline": esc(words.verdict_sentence(attempt)),
        "counts": _counts(attempt),
        "facts": _facts(attempt, made_on, trainee),
        "advice": advice_html(attempt),
        "layers": "".join(_layer(key, _TOWING.get(key, label) if attempt.trailer else label, on)
                          for key, label, on in LAYERS),
        "plan": plan_view(attempt),
        "plan_key": _REFERENCE_KEY if attempt.room and attempt.room.reference else "",
        "findings": findings_html(attempt),
        "charts": charts_html(attempt, shown, duration_s, mirror_strip(attempt, duration_s)),
        "room": room_sections(attempt),
        "steering": steering_html(attempt),
        "measured": _measured(attempt),
        "marks": _marks_table(attempt),
        "caution": esc(words.CAUTION),
        "data": _script_safe(json.dumps(_data(attempt, shown, times_s), separators=(",", ":"), allow_nan=False)),
        "clip_src": "" if embedded else f'src="{esc(clip.name)}"',
        "clip": base64.b64encode(clip.read_bytes()).decode() if embedded else "",
        "script": _part("review.js"),
    }
    return re.sub(r"\{\{(\w+)\}\}", lambda found: filled[found[1]], _part("review.html"))


_REFERENCE_KEY = ('<span><svg viewBox="0 0 18 10" aria-hidden="true"><path class="reference" d="M0 5H18"/></svg>'
                  "reverse with the most room</span>")


def _part(name: str) -> str:
    return (resources.files("cli.pages") / name).read_text("utf-8")


def _script_safe(text: str) -> str:
    """JSON that cannot end the script element it stands in."""
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _counts(attempt: Attempt) -> str:
    return "".join(f'<li class="g-{words.COLOUR[g]}">{icon(words.COLOUR[g])}<b>{n}</b> {what}</li>'
                   for g, (n, what) in words.counts(attempt).items())


def _facts(attempt: Attempt, made_on: date, trainee: str | None) -> str:
    facts = [("Trainee", trainee or "no code given"), ("Vehicle", attempt.vehicle.name),
             ("Course", attempt.course.name), ("Rules", attempt.rules.name), ("Analysed", made_on.isoformat())]
    return "".join(f"<div><dt>{k}</dt><dd>{esc(v)}</dd></div>" for k, v in facts)


def _layer(key: str, label: str, on: bool) -> str:
    return (f'<label><input type="checkbox" data-layer="{key}"{" checked" if on else ""}>'
            f'<svg class="swatch" viewBox="0 0 26 12" aria-hidden="true"><use href="#swatch-{key}"/></svg>'
            f'{label}</label>')


def advice_html(attempt: Attempt) -> str:
    """What to do differently, each sentence a button that takes the clip to what shows it; '' when nothing is said."""
    advice = attempt.advice
    if not (advice.said or advice.well):
        return ""
    said = "".join(f'<li><button class="advised" data-seek="{s.t_s:.3f}">{esc(words.unbroken(s.sentence))}</button>'
                   "</li>" for s in advice.said)
    well = f'<p class="well g-ok">{icon("ok")}{esc(advice.well)}</p>' if advice.well else ""
    drill = (f'<p class="drill"><b>To practise: {esc(advice.drill.title)}.</b> {esc(advice.drill.text)}</p>'
             if advice.drill else "")
    return (f'<section class="advice" aria-label="What to do differently"><ol>{said}</ol>'
            f'<div>{well}{drill}</div></section>')


def findings_html(attempt: Attempt) -> str:
    """The findings by group, each a button that takes the clip to its time."""
    numbered = words.numbered(attempt.findings)
    parts = []
    for group in words.GROUPS:
        members = [(n, f) for n, f in numbered if words.group(f) == group]
        if members:
            parts.append(f'<section class="group g-{words.COLOUR[group]}"><h3>{words.GROUP_TITLES[group]} '
                         f'<span>{len(members)}</span></h3><ol>'
                         + "".join(_finding(attempt, n, f) for n, f in members) + "</ol></section>")
    return "\n".join(parts) or '<p class="empty">The rules asked for nothing that could be told.</p>'


def _finding(attempt: Attempt, n: int, f: Finding) -> str:
    group = words.group(f)
    figure = words.figure(f.value, f.sd, f.unit)
    limit = words.figure(f.limit, None, f.unit)
    turn = next((d for d in attempt.dry_turns if f.kind == "dry_steering" and f.verdict != "ok"
                 and abs(d.t_start_s - f.t_start_s) < 0.5), None)
    return (f'<li><button class="finding" data-seek="{f.t_start_s:.3f}" data-end="{f.t_end_s:.3f}">'
            f'{icon(words.COLOUR[group], words.verdict(f))}'
            f'<span class="number">{n or ""}</span>'
            f'<span class="what"><span class="kind">{esc(words.KIND_WORDS.get(f.kind, words.place(f.kind)))} '
            f'<time>{words.span(f.t_start_s, f.t_end_s)}</time></span>'
            f'<span class="sentence">{esc(words.unbroken(f.sentence))}</span></span>'
            f'<span class="figures"><b>{esc(figure)}</b>{f"<small>limit {esc(limit)}</small>" if limit else ""}</span>'
            f'{wheel_drawing(turn) if turn else ""}</button></li>')


def _measured(attempt: Attempt) -> str:
    """How well it was measured, in plain figures, and every note of the measurement."""
    known = attempt.track.measured
    m = attempt.motion
    rows = [("Measured", f"{100 * float(np.mean(known)):.0f} % of {words.clock(float(m.t_s[-1] - m.t_s[0]))}")]
    if known.any():
        position = np.sqrt((m.cov[known, 0, 0] + m.cov[known, 1, 1]) / 2)
        rows += [("Position of the rear axle", f"± {100 * words.Z95 * float(np.median(position)):.1f} cm"),
                 ("Heading", f"± {words.number(words.Z95 * math.degrees(float(np.median(m.sd(2)[known]))), 2)}°"),
                 ("Wheel angle", f"± {words.degrees(words.Z95 * float(np.median(m.sd(4)[known])))}")]
    if attempt.axle:
        side = "ahead of" if attempt.axle.offset_m > 0 else "behind"
        rows.append(("Turns about", f"{words.metres(abs(attempt.axle.offset_m))} {side} the rear axle in its file "
                     f"± {words.metres(words.Z95 * attempt.axle.sd_m)}"))
        if attempt.axle.wheelbase_m:
            rows.append(("Wheelbase by the circle at full lock", f"{words.metres(attempt.axle.wheelbase_m)} "
                         f"± {words.metres(words.Z95 * (attempt.axle.sd_wheelbase_m or 0.0))}"))
    if attempt.trailer and known.any():
        sd_deg = math.degrees(float(np.median(attempt.trailer.sd_rad[known])))
        rows.append(("Angle to the trailer", f"± {words.number(words.Z95 * sd_deg, 2)}°"))
    if attempt.trailer_check:
        towed = attempt.trailer_check
        rows.append(("Trailer turns about", f"{words.metres(towed.hitch_to_axle_m)} behind the coupling ± "
                     f"{words.metres(words.Z95 * towed.sd_m)}; its file says {words.metres(towed.stated_m)}"))
    title, _, lines = line_clearance(attempt)
    if lines and known.any():
        sd = np.concatenate([s.sd_m[known] for s in lines.values()])
        rows.append((title, f"± {100 * words.Z95 * float(np.median(sd)):.1f} cm"))
    path = attempt.track.camera
    if path is not None and path.placed.any():
        tilt = np.degrees(np.arccos(np.clip(-path.rotation[path.placed, 2, 2], -1, 1)))
        rows += [("Camera height", words.metres(float(np.median(path.centre_m[path.placed, 2])))),
                 ("Camera tilt", f"{float(np.median(tilt)):.0f}° from straight down"),
                 ("Focal length", f"{path.fx:.0f} px ± {words.Z95 * path.focal_sd_px:.0f} px")]
    rows += [("Gap", f"{words.span(a, b)}") for a, b in gaps(attempt)]
    rows += [("Mark moved", f"{words.place(e.name)} by {words.figure(e.moved_m, e.sd_m, 'm')} at {words.clock(e.t_s)}")
             for e in attempt.track.mark_events]
    notes = "".join(f"<li>{esc(note)}</li>" for note in attempt.track.notes)
    return ("<dl>" + "".join(f"<div><dt>{k}</dt><dd>{esc(v)}</dd></div>" for k, v in rows) + "</dl>"
            + (f"<ul>{notes}</ul>" if notes else ""))


def _marks_table(attempt: Attempt) -> str:
    rows = "".join(
        f"<tr><th scope='row'>{esc(words.place(s.name))}</th><td>{words.number(s.x_m, 2)}</td>"
        f"<td>{words.number(s.y_m, 2)}</td><td>{words.number(s.x_m - s.nominal_x_m, 2)}</td>"
        f"<td>{words.number(s.y_m - s.nominal_y_m, 2)}</td><td>{words.number(words.Z95 * s.sd_m, 2)}</td></tr>"
        for s in attempt.track.marks)
    if not rows:
        return "<p>No mark was surveyed from the clip; the course file's places were used.</p>"
    return ("<table><thead><tr><th scope='col'>Mark</th><th scope='col'>x</th><th scope='col'>y</th>"
            "<th scope='col'>x off plan</th><th scope='col'>y off plan</th><th scope='col'>±</th></tr></thead>"
            f"<tbody>{rows}</tbody></table><p>Metres; x from the bay, y to its left; ± is a 95 % interval.</p>")


def _data(attempt: Attempt, shown: tuple[Strip, ...], times_s: np.ndarray) -> dict[str, Any]:
    """What the script needs to draw any moment. Rounded well below what can be seen."""
    m, course = attempt.motion, attempt.surveyed
    box = course.stopping_box or course.bay
    planned = {mark.name: mark for mark in attempt.course.marks}
    return {
        "duration": round(float(times_s[-1]), 4),
        "frame": round(float(np.median(np.diff(times_s))), 5),
        "camera": _camera(attempt.track.camera),
        "motion": {"t": _short(m.t_s, 4), "known": attempt.track.measured.astype(int).tolist(),
                   "speed": _short(m.speed_mps, 3), "wheel": _short(m.wheel_rad, 4)},
        "bodies": [_body(body, motion) for body, motion in attempt.bodies],
        "lines": [_short(scene.along(ln.x0_m, ln.y0_m, ln.x1_m, ln.y1_m), 3) for ln in course.lines],
        "box": _short(scene.rectangle(box.x_min_m, box.x_max_m, box.y_min_m, box.y_max_m), 3),
        "marks": [{"name": words.place(k.name), "x": round(k.x_m, 3), "y": round(k.y_m, 3),
                   "px": round(planned[k.name].x_m, 3), "py": round(planned[k.name].y_m, 3)} for k in course.marks],
        "places": [{"n": n, "x": f.at_m[0], "y": f.at_m[1], "from": f.t_start_s, "to": f.t_end_s}
                   for n, f in words.numbered(attempt.findings) if n and f.at_m],
        "turning": [{"kind": p.kind, "label": f"{p.label}, {words.clock(p.t_s)}", "t": round(p.t_s, 3),
                     "x": round(p.at_m[0], 3), "y": round(p.at_m[1], 3)}
                    for p in scene.turning_points(attempt) if p.at_m],
        "charts": [{"key": s.key, "unit": s.unit, "decimals": s.decimals,
                    "curves": [{"value": _short(c.value, 3), "sd": _short(c.sd, 4)} for c in s.curves]} for s in shown],
    }


def _body(body: Body, m: Motion) -> dict[str, Any]:
    drawbar = scene.drawbar_m(body)
    return {"outline": _short(body.body_outline_m(), 3), "wheelbase": body.wheelbase_m,
            "drawbar": [] if drawbar is None else _short(drawbar, 3), "tyreLength": 2 * body.wheel_radius_m,
            "tyres": [{"x": t.x_m, "y": round(t.y_m, 4), "width": t.width_m, "steered": t.steered}
                      for t in body.tyres()],
            "solids": [{"ring": _short(_ring(s), 3), "low": s.z_min_m, "high": s.z_max_m} for s in body.solids],
            "path": {"x": _short(m.x_m, 4), "y": _short(m.y_m, 4), "heading": _short(m.heading_rad, 5)}}


def _ring(solid) -> np.ndarray:
    return scene.rectangle(solid.x_min_m, solid.x_max_m, -solid.width_m / 2, solid.width_m / 2)


def _camera(path: CameraPath | None) -> dict[str, Any] | None:
    """The camera's numbers; rotations as unit quaternions (w, x, y, z), neighbours on the same side."""
    if path is None:
        return None
    rotation = np.where(path.placed[:, None, None], path.rotation, np.eye(3))
    q = Rotation.from_matrix(rotation).as_quat()[:, [3, 0, 1, 2]]
    flips = np.cumprod(np.concatenate([[1.0], np.where((q[1:] * q[:-1]).sum(axis=1) < 0, -1.0, 1.0)]))
    return {"width": path.width_px, "height": path.height_px, "fx": round(path.fx, 4), "fy": round(path.fy, 4),
            "cx": round(path.cx, 4), "cy": round(path.cy, 4), "dist": [float(k) for k in path.dist],
            "t": _short(path.t_s, 4), "known": path.placed.astype(int).tolist(), "q": _short(q * flips[:, None], 7),
            "centre": _short(path.centre_m, 4)}


def _short(values: np.ndarray, decimals: int) -> list[Any]:
    """Nested lists of rounded numbers; None for what is not a number."""
    array = np.round(np.asarray(values, float), decimals)
    nested = array.astype(object)
    nested[~np.isfinite(array)] = None
    return nested.tolist()
