"""The run as WebVTT: chapters (stops and legs) and captions (findings), for any player that knows the standard.

Syntax as in the W3C's WebVTT, candidate recommendation of 10 May 2018: times hh:mm:ss.ttt. A start is rounded down and
an end up, so that no cue misses the picture it speaks of.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

SHORTEST_S = 2.0  # a caption stays at least so long to be read


def chapters(record: Mapping[str, Any], say: Callable[[str], str]) -> str:
    """One chapter for each leg and each stop between legs, in order."""
    spans = [(leg["t_start_s"], leg["t_end_s"], say("vtt.forward" if leg["direction"] > 0 else "vtt.reverse"))
             for leg in record["legs"]]
    spans += [(s["t_start_s"], s["t_end_s"], say(f"vtt.stop_{s['kind']}")) for s in record["stops"]]
    return _file(sorted(spans))


def captions(findings: Sequence[Mapping[str, Any]], sentence: Callable[[Mapping[str, Any]], str], end_s: float) -> str:
    """One caption for each finding that is not in order, while it lasts."""
    spans = [(f["t_start_s"], min(max(f["t_end_s"], f["t_start_s"] + SHORTEST_S), max(end_s, f["t_start_s"] + 0.1)),
              sentence(f)) for f in findings if f["verdict"] != "ok" and f["t_end_s"] - f["t_start_s"] < end_s / 2]
    return _file(sorted(spans))


def _file(spans: Iterable[tuple[float, float, str]]) -> str:
    cues = [f"{_time(math.floor(a * 1000))} --> {_time(math.ceil(b * 1000))}\n{_text(what)}\n" for a, b, what in spans]
    return "WEBVTT\n\n" + "\n".join(cues)


def _time(ms: int) -> str:
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def _text(what: str) -> str:
    """A cue's text: no markup, no blank line, no arrow that would read as a time."""
    plain = " ".join(what.split())
    return plain.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
