"""Values that no file should hold, put in place of those that one does; and files written with them."""

from __future__ import annotations

import copy
import json
import math
import random
from typing import Any

DEEP = "@deep@"  # stands for a hundred thousand brackets, which no writer would write

NASTY: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2**31, 2**63, -2**63 - 1, 10**400, 0.0, -0.0, 1e-320, 1e308, -1e308, math.nan,
    math.inf, -math.inf, "", " ", "x", "0", "nan", "\0", "a\nb", "\r\n", "\ud800", "\u202egnp.exe", "\u2028",
    "e\u0301" * 50, "x" * 100_000, "<script>alert(1)</script>", "' OR 1=1 --", "../../etc/passwd", "C:\\con",
    "{0.__class__}", "%s%n", "{{7*7}}", [], {}, [[]], [None], {"": None}, [1] * 1000, {"a": {"b": {}}}, DEEP,
    "2026-13-45", "9999-12-31T23:59:59+23:59",
    "0001-01-01T00:00:00+23:59", "2026-03-10")


def changed(value: Any, rng: random.Random) -> Any:
    """The value with one to three of its parts replaced, removed, doubled, or exchanged with another."""
    value = copy.deepcopy(value)
    for _ in range(rng.randint(1, 3)):
        places = list(_places(value))
        holder, key = rng.choice(places) if places else (None, None)
        if holder is None:
            return rng.choice(NASTY)
        what = rng.random()
        if what < 0.6:
            holder[key] = copy.deepcopy(rng.choice(NASTY))
        elif what < 0.7:
            del holder[key]
        elif what < 0.8:
            other, its = rng.choice(places)
            holder[key] = copy.deepcopy(other[its])
        elif what < 0.9 and isinstance(holder[key], (int, float)) and abs(holder[key]) < 2**1000:
            holder[key] = holder[key] * rng.choice((-1, 1e-9, 1e3, 1e12)) + rng.choice((0, 0, 1e-9))
        elif isinstance(holder, dict):
            holder[rng.choice(("", "x", "name", "__class__", "a.b", "\n", "schema"))] = holder.pop(key)
        else:
            holder[key:key] = [copy.deepcopy(holder[key])] * rng.choice((1, 3, 500))
    return value


def _places(value: Any) -> Any:
    """(holder, key) of every part."""
    if isinstance(value, dict):
        for key in list(value):
            yield value, key
            yield from _places(value[key])
    elif isinstance(value, list):
        for i in range(min(len(value), 400)):
            yield value, i
            yield from _places(value[i])


def json_bytes(value: Any, rng: random.Random) -> bytes:
    text = json.dumps(value, ensure_ascii=rng.random() < 0.5)
    return text.replace(f'"{DEEP}"', "[" * 100_000).encode("utf-8", "surrogatepass")


def toml_bytes(value: Any, rng: random.Random) -> bytes:
    """A table as TOML, whatever stands in it; what TOML cannot say is written as it would be in JSON."""
    if not isinstance(value, dict):
        return json_bytes(value, rng)
    lines = [f"{_key(k)} = {_toml(v)}" for k, v in value.items()]
    return ("\n".join(lines) + "\n").replace(f'"{DEEP}"', "[" * 100_000).encode("utf-8", "surrogatepass")


def _key(key: Any) -> str:
    return json.dumps(str(key))


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(k)} = {_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, float) and not math.isfinite(value):
        return "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"
    return hex(value) if isinstance(value, int) and value > 10**300 else json.dumps(value)


def csv_bytes(rows: list[list[str]], rng: random.Random) -> bytes:
    """A table with some cells, rows or marks of it spoilt."""
    rows = [list(row) for row in rows]
    for _ in range(rng.randint(1, 4)):
        row = rng.choice(rows)
        what = rng.random()
        if what < 0.6 and row:
            nasty = rng.choice(NASTY)
            row[rng.randrange(len(row))] = nasty if isinstance(nasty, str) else repr(nasty)
        elif what < 0.7:
            row.append(rng.choice(("", "1", '"')))
        elif what < 0.8 and row:
            row.pop()
        elif what < 0.9:
            rows.insert(rng.randrange(len(rows)), list(row))
        else:
            rows.remove(row)
            rows = rows or [[""]]
    mark = rng.choice((",", ",", ",", ";", "\t"))
    text = rng.choice(("\n", "\n", "\r\n", "\r")).join(mark.join(row) for row in rows)
    return text.encode("utf-8", "surrogatepass")
