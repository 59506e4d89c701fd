"""Many people at once, in small; `make soak` does it with three clips of 1 GB."""

from __future__ import annotations

from pathlib import Path

from soak.load import load


def test_twenty_review_while_clips_come_in_and_a_batch_runs(tmp_path: Path) -> None:
    """No error, no correction lost or laid over one that its maker had not seen, and bounded memory (the kernel's
    count for the server, most of it for what measures)."""
    came = load(tmp_path, clients=20, upload_mb=20, batch_clips=3, least_rounds=2)
    assert came.corrections >= 40
    assert came.conflicts > 0  # else nobody ever was in somebody's way
    assert came.most_mb < 600
