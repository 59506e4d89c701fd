"""The one kind of error a user is meant to read."""

from __future__ import annotations


class Trouble(Exception):
    """Something the user can put right: what is wrong, where, and what to do.

    Everything a person can cause (a bad file, a clip without a course) is raised as a
    Trouble; anything else that escapes is a defect of the program.
    """

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        super().__init__(self.one_line())

    def at(self, where: str) -> Trouble:
        """The same trouble with the place (usually a file name) put in front."""
        joined = f"{where}: {self.where}" if self.where else where
        return Trouble(self.what, where=joined, remedy=self.remedy)

    def one_line(self) -> str:
        place = f"{self.where}: " if self.where else ""
        advice = f" — {self.remedy}" if self.remedy else ""
        return _visible(f"{place}{self.what}{advice}")


def check_text(name: str) -> None:
    """Raises Trouble for a name that is no text: a file named by a system of another encoding, which no record and no
    page could name."""
    try:
        name.encode()
    except UnicodeEncodeError:
        raise Trouble("this name cannot be read as text", where=name,
                      remedy="rename the file or folder with plain letters") from None


def _visible(text: str) -> str:
    """The text on one line whatever a file put into it: what cannot be printed (line breaks, controls, marks that turn
    the direction of writing) is written as its code."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)
