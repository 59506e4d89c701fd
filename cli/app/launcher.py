"""A file to double-click that opens the app, for people who do not use a terminal."""

from __future__ import annotations

import os
import platform
import sys
from pathlib import Path

from analysis.trouble import Trouble

# For each system: the file's name and its text; {python} is the interpreter that has tailtrace installed.
FILES = {
    "Windows": ("tailtrace.bat", '@echo off\r\n"{python}" -m cli.main serve\r\nif errorlevel 1 pause\r\n'),
    "Darwin": ("tailtrace.command", '#!/bin/sh\nexec "{python}" -m cli.main serve\n'),
    "Linux": ("tailtrace.desktop", "[Desktop Entry]\nType=Application\nName=tailtrace\nComment=Measures reversing "
              'exercises from video\nExec="{python}" -m cli.main serve\nTerminal=true\n'),
}


def write_launcher(folder: Path, system: str = "") -> Path:
    """Write the launcher for this system (or the one named) into `folder`; an earlier one is replaced."""
    name, text = FILES.get(system or platform.system(), FILES["Linux"])
    path = folder.expanduser() / name
    try:
        path.write_text(text.format(python=sys.executable), "utf-8", newline="")
        path.chmod(path.stat().st_mode | 0o111)
    except OSError as e:
        raise Trouble(f"the launcher cannot be written ({e.strerror})", where=str(path),
                      remedy="name a folder that is there, such as your desktop's") from None
    print(f"wrote {path}{'' if os.name != 'posix' else ' (allow it to be started when the system asks)'}")
    return path
