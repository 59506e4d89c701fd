"""Tracks of the bundled clips as the program once measured them, kept so that judging needs no clip.

Made by `save(measure(...), path)` on the committed clips; nothing in them comes from the truth. The camera is left out.
"""

from __future__ import annotations

from dataclasses import astuple
from pathlib import Path
from typing import Any

import numpy as np

from analysis.course import MarkEvent, SurveyedLine, SurveyedMark
from analysis.track import Track

TRACKS = Path(__file__).parent / "data" / "tracks"
_UPPER = np.triu_indices(3)


def save(track: Track, path: Path) -> None:
    def table(rows: tuple[Any, ...]) -> dict[str, Any]:
        return {"names": np.array([r.name for r in rows], str),
                "values": np.array([astuple(r)[1:] for r in rows], float)}

    parts = {"marks": table(track.marks), "lines": table(track.lines), "events": table(track.mark_events)}
    np.savez_compressed(
        path, t_s=np.round(track.t_s, 5), measured=track.measured, x_m=np.round(track.x_m, 5),
        y_m=np.round(track.y_m, 5), heading_rad=np.round(track.heading_rad, 6),
        cov=track.cov[:, *_UPPER].astype(np.float32), common_cov=track.common_cov,
        **{f"{k}_{what}": v for k, t in parts.items() for what, v in t.items()})


def load(name: str) -> Track:
    """The track of a bundled clip."""
    with np.load(TRACKS / f"{name}.npz") as f:
        cov = np.zeros((len(f["t_s"]), 3, 3))
        cov[:, *_UPPER] = f["cov"]
        cov[:, _UPPER[1], _UPPER[0]] = f["cov"]

        def rows(key: str, noun: Any) -> tuple[Any, ...]:
            return tuple(noun(str(n), *map(float, v))
                         for n, v in zip(f[f"{key}_names"], f[f"{key}_values"], strict=True))
        return Track(f["t_s"], f["measured"], f["x_m"], f["y_m"], f["heading_rad"], cov, f["common_cov"],
                     rows("marks", SurveyedMark), rows("lines", SurveyedLine), rows("events", MarkEvent))
