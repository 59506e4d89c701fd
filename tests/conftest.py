"""The one analysis for real that the tests share: through the app, as a person would have it, and for once only."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

LORRY = Path(__file__).parents[1] / "sample_clips" / "lorry_dry_steer"


@pytest.fixture(scope="session")
def lorry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The attempt folder of the bundled lorry clip, from an app's folder that holds clip, vehicle and course only.

    The app's folder is its grandparent."""
    from app_running import running

    from cli.app.runner import WORKER
    root = tmp_path_factory.mktemp("app")
    for kind in ("vehicle", "course"):
        (root / f"{kind}s").mkdir()
        shutil.copyfile(LORRY / f"{kind}.toml", root / f"{kind}s" / f"lorry.{kind}.toml")
    with running(root, worker=WORKER) as app:
        job = app.job(LORRY / "clip.mp4", vehicle="lorry", course="lorry", trainee="T1", instructor="I1", quick=True)
        seen = stages(app, job["id"])
    assert "following the vehicle" in seen
    return root / "attempts" / job["attempt"]


def stages(app: Any, job: str) -> set[str]:
    """What the queue told while the job ran; fails with the job's own words when it does not end well."""
    seen = set()
    while (now := app.wait(job, "waiting", "running", "done", "failed"))["state"] in ("waiting", "running"):
        seen.add(now["stage"])
        app.pause()
    assert now["state"] == "done", now["problem"]
    return seen
