"""The library's index over the app's attempts, brought up to date when it is asked."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from cli.app.folder import Folder

if TYPE_CHECKING:
    from cli.library.library import Library


@contextmanager
def library(folder: Folder) -> Iterator[Library]:
    """The library over the attempts, as they are now. Folders that did not change are not read again."""
    from cli.library.library import open_library
    opened = open_library(folder.root / "attempts")
    try:
        opened.refresh()
        yield opened
    finally:
        opened.close()
