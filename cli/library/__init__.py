"""The school's library: an index over attempt folders. The folders are the truth; the index is made from them."""

from cli.library.library import Library, Refreshed, open_library

__all__ = ["Library", "Refreshed", "open_library"]
