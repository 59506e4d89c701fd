"""Running a command with a full disk, or on a folder that may not be written to."""

from __future__ import annotations

import contextlib
import ctypes
import io
import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from cli.main import main
from soak.killing import Child

ROOT = Path(__file__).parents[2]
_DROP_FROM_BOUNDING_SET, _MAY_WRITE_ANYWHERE, _MAY_READ_ANYWHERE = 24, 1, 2  # of Linux' prctl(2), capabilities(7)


def with_full_disk(command: Sequence[str | Path], largest_file: int,
                   before: Callable[[], None] = lambda: None) -> tuple[int, str]:
    """As `in_a_fork`, when no file may grow beyond so many bytes: the system then refuses a write, as a full disk
    does."""
    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file, resource.RLIM_INFINITY))
        before()
    return in_a_fork(command, limited)


def in_a_fork(command: Sequence[str | Path], before: Callable[[], None]) -> tuple[int, str]:
    """Exit status and what `tailtrace` says at the end, in a forked process that does `before` first."""
    def work(tell: Callable[[object], None]) -> None:
        before()
        with contextlib.redirect_stderr(io.StringIO()) as said:
            status = main([str(c) for c in command])
        tell((status, said.getvalue()))
    child = Child(work)
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    child.kill()
    ((status, said),) = child.told()
    return status, _last(said)


def as_a_plain_user(command: Sequence[str | Path], code: str = "from cli.main import main") -> tuple[int, str]:
    """The same in a process that folders can be closed to, also when a superuser runs the tests."""
    def plain() -> None:
        if os.getuid() == 0:
            for what in (_MAY_WRITE_ANYWHERE, _MAY_READ_ANYWHERE):
                ctypes.CDLL(None).prctl(_DROP_FROM_BOUNDING_SET, what, 0, 0, 0)
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; {code}; sys.exit(main(sys.argv[1:]))", *map(str, command)], cwd=ROOT,
        env=os.environ | {"PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}"}, text=True, capture_output=True,
        preexec_fn=plain, check=False, timeout=120)
    return done.returncode, _last(done.stderr)


def _last(said: str) -> str:
    """The one line of complaint; progress lines end in an ellipsis and come before it."""
    assert "Traceback" not in said, said
    lines = [line for line in said.splitlines() if not line.endswith("…")]
    assert len(lines) <= 1, said
    return lines[0] if lines else ""


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """A folder closed to writing, with all in it."""
    modes = {f: f.stat().st_mode for f in (folder, *folder.rglob("*"))}
    for f, mode in modes.items():
        f.chmod(mode & ~0o222)
    try:
        yield
    finally:
        for f, mode in modes.items():
            f.chmod(mode)


@contextmanager
def small_disk(place: Path, size_kb: int) -> Iterator[Path | None]:
    """A file system of so many kilobytes, mounted at `place`; None where this user may not mount one."""
    place.mkdir(parents=True, exist_ok=True)
    mounted = os.getuid() == 0 and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "tmpfs", str(place)], capture_output=True,
        check=False).returncode == 0
    try:
        yield place if mounted else None
    finally:
        if mounted:
            subprocess.run(["umount", str(place)], check=True)
