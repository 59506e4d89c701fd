"""A PostgreSQL server of the tests' own, from Debian's package; it listens on a socket in its own folder only."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ABSENT = "needs a PostgreSQL server (Debian's package postgresql) and psycopg"


def programs() -> Path | None:
    """The folder of initdb and pg_ctl, or None where there is no server or no driver."""
    try:
        import psycopg  # noqa: F401
    except ImportError:
        return None
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"))
    if found:
        return found[-1].parent
    on_path = shutil.which("pg_ctl")
    return Path(on_path).parent if on_path and shutil.which("initdb") else None


@contextmanager
def server() -> Iterator[str]:
    """The connection address of a fresh server; it and its data are gone afterwards. It refuses to run as root, so
    root runs it as Debian's user postgres."""
    bin_dir = programs()
    assert bin_dir is not None
    user = "postgres" if os.geteuid() == 0 else None
    folder = Path(tempfile.mkdtemp(prefix="tailtrace-pg-"))
    if user:
        shutil.chown(folder, user)
    data = folder / "data"

    def run(*command: str) -> None:
        subprocess.run(command, check=True, user=user, stdout=subprocess.DEVNULL, cwd=folder)
    try:
        run(str(bin_dir / "initdb"), "-D", str(data), "-U", "postgres", "--auth=trust", "--no-sync", "-E", "UTF8")
        run(str(bin_dir / "pg_ctl"), "-D", str(data), "-w", "-l", str(folder / "log"), "-o",
            f"-c listen_addresses='' -k {folder}", "start")
        yield f"postgresql+psycopg://postgres@/postgres?host={folder}"
    finally:
        if (data / "postmaster.pid").exists():
            run(str(bin_dir / "pg_ctl"), "-D", str(data), "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder, ignore_errors=True)
