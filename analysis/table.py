"""Checked reading of the tables people write (vehicle, course, rules).

A table is a plain mapping, as a TOML reader returns it. Every value is asked for by key
with its allowed range; what was not asked for is an error too, so a misspelt key cannot
be silently ignored.
"""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any

from analysis.trouble import Trouble

LONGEST_TEXT = 2000  # characters: a name or a source that is longer is a mistake


class Table:
    """One level of a user's file. Call `done()` after the last read to reject leftovers."""

    def __init__(self, values: Mapping[str, Any], path: str = "") -> None:
        if not isinstance(values, Mapping):
            raise Trouble("should be a table of keys and values", where=path or "file")
        self._values = values
        self._path = path
        self._asked: set[str] = set()

    def _key(self, key: str) -> str:
        return f"{self._path}.{key}" if self._path else key

    def has(self, key: str) -> bool:
        return key in self._values

    def _raw(self, key: str, default: Any) -> Any:
        self._asked.add(key)
        if key in self._values:
            return self._values[key]
        if default is _REQUIRED:
            near = get_close_matches(key, [k for k in self._values if k not in self._asked], n=1)
            hint = f"found '{near[0]}': is that it?" if near else f"add a line '{key} = …'"
            raise Trouble("this key is missing", where=self._key(key), remedy=hint)
        return default

    def number(self, key: str, low: float, high: float, default: Any = None) -> float:
        """A finite number in [low, high]; `default=REQUIRED` makes the key compulsory."""
        value = self._raw(key, default)
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise Trouble(f"{_short(value)} is not a number", where=self._key(key),
                          remedy=f"write a number from {low:g} to {high:g}, no quotes")
        if not low <= value <= high:  # compared as it is: a whole number may be too large to be made a float
            shown = f"{value:g}" if isinstance(value, float) else _short(value)
            raise Trouble(f"{shown} is out of range", where=self._key(key),
                          remedy=f"allowed: {low:g} to {high:g}{_unit_hint(key)}")
        return float(value)

    def whole(self, key: str, low: int, high: int, default: Any = None) -> int:
        value = self._raw(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise Trouble(f"{_short(value)} is not allowed", where=self._key(key),
                          remedy=f"write a whole number from {low} to {high}")
        return value

    def text(self, key: str, default: Any = None) -> str:
        value = self._raw(key, default)
        if not isinstance(value, str):
            raise Trouble(f"{_short(value)} is not text", where=self._key(key),
                          remedy="allowed: text in quotes")
        if len(value) > LONGEST_TEXT:
            raise Trouble(f"{len(value)} characters are too many", where=self._key(key),
                          remedy=f"write up to {LONGEST_TEXT}")
        return value

    def flag(self, key: str, default: Any = None) -> bool:
        value = self._raw(key, default)
        if not isinstance(value, bool):
            raise Trouble(f"{_short(value)} is neither true nor false", where=self._key(key),
                          remedy="write true or false, no quotes")
        return value

    def choice(self, key: str, allowed: tuple[str, ...], default: Any = None) -> str:
        value = self.text(key, default)
        if value not in allowed:
            raise Trouble(f"{_short(value)} is not known here", where=self._key(key),
                          remedy="allowed: " + ", ".join(allowed))
        return value

    def table(self, key: str, default: Any = None) -> Table:
        return Table(self._raw(key, default), self._key(key))

    def tables(self, key: str) -> list[Table]:
        """The entries of a `[[key]]` list; none when the key is absent."""
        value = self._raw(key, [])
        if not isinstance(value, list):
            raise Trouble("should be a list of tables", where=self._key(key),
                          remedy=f"head each entry with [[{key}]]")
        return [Table(entry, f"{self._key(key)}[{i + 1}]") for i, entry in enumerate(value)]

    def done(self) -> None:
        extra = [k for k in self._values if k not in self._asked]
        if extra:
            near = get_close_matches(extra[0], sorted(self._asked), n=1)
            allowed = "allowed: " + ", ".join(sorted(self._asked))
            hint = f"did you mean '{near[0]}'? {allowed}" if near else allowed
            raise Trouble(f"this key is not known (value {_short(self._values[extra[0]])})",
                          where=self._key(_printable(extra[0])), remedy=hint)

    def fail(self, key: str, what: str, remedy: str = "") -> Trouble:
        """A Trouble that names this table's key, for checks across several keys."""
        return Trouble(what, where=self._key(key), remedy=remedy)


def _short(value: Any) -> str:
    """A value as it may stand in one line of complaint."""
    try:
        text = repr(value)
    except ValueError:  # a whole number of thousands of digits
        text = "this"
    except RecursionError:
        text = "[...]"
    return text if len(text) <= 40 else text[:37] + "..."


def _printable(key: str) -> str:
    """A key as it may stand in one line: TOML allows line breaks in a quoted one."""
    return key if key.isprintable() else repr(key)


_REQUIRED = object()
REQUIRED = _REQUIRED

_UNITS = {"_m": " metres", "_deg": " degrees", "_s": " seconds", "_mps": " metres per second",
          "_deg_s": " degrees per second", "_kg": " kilograms"}


def _unit_hint(key: str) -> str:
    ends = [e for e in _UNITS if key.endswith(e)]
    return _UNITS[max(ends, key=len)] if ends else ""
