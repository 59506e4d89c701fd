"""Reading an attempt's files back: attempt.json and track.parquet.

They may come from another school's archive, from an older version or from a dying disk. So nothing is taken from the
record that the published schema (attempt.schema.json) does not allow: whoever has a record may rely on its keys and
their types. Sections that earlier versions did not write may be missing, as a whole.
"""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema_rs
import numpy as np

from analysis.trouble import Trouble
from cli.store import RECORD, TRACK

LARGEST_BYTES = 20_000_000
LARGEST_NUMBER = 1e12
"""No time, length, count or size of a file is as large."""
MOST_ROWS, MOST_COLUMNS, LARGEST_TRACK_BYTES = 500_000, 500, 1_000_000_000
MOST_DIGITS = 18
"""Of a whole number: what databases keep of it, and what can be made a decimal fraction."""
CODE = re.compile(r"[A-Za-z0-9_-]{1,24}")
"""What people are known by."""

_NEEDED = ("schema_version", "verdict", "summary", "vehicle", "course", "rules", "t_start_s", "t_end_s", "stops",
           "legs", "shunts", "findings", "marks")
_MORE = {"trainee": {"type": ["string", "null"], "pattern": f"^{CODE.pattern}$"},
         "instructor": {"type": ["string", "null"], "pattern": f"^{CODE.pattern}$"}}
_HALF_OF_A_PAIR = re.compile(rb"\\u[dD][89a-fA-F]")


def read_record(folder: Path) -> dict[str, Any]:
    """The record of an attempt folder. Raises Trouble, and FileNotFoundError where there is none."""
    path = folder / RECORD
    with path.open("rb") as f:
        raw = f.read(LARGEST_BYTES + 1)
    try:
        return record_of(raw)
    except Trouble as e:
        raise e.at(str(path)) from None


def record_of(raw: bytes) -> dict[str, Any]:
    """The record in the bytes of an attempt.json. Raises Trouble saying what in it cannot be."""
    if len(raw) > LARGEST_BYTES:
        raise _no_record(f"more than {LARGEST_BYTES / 1e6:.0f} MB")
    try:
        record = strict_json(raw)
        fault = next(_validator().iter_errors(record), None)
    except (ValueError, RecursionError) as e:
        raise _no_record(str(e)) from None
    if fault is not None:
        raise _no_record(f"{fault.message[:100]}, at {'/'.join(map(str, fault.instance_path)) or 'its top'}")
    return record


def strict_json(raw: bytes | str) -> Any:
    """JSON as the standard has it, without numbers that no measurement is and text that is none. Raises ValueError,
    RecursionError."""
    raw = raw.encode() if isinstance(raw, str) else raw
    value = json.loads(raw.decode("utf-8"), parse_float=_number, parse_int=_number, parse_constant=_number)
    if _HALF_OF_A_PAIR.search(raw):  # RFC 8259 lets half of a surrogate pair through, which cannot be written again
        json.dumps(value, ensure_ascii=False).encode()
    return value


def _number(text: str) -> int | float:
    whole = text.lstrip("-").isdecimal()
    if whole and len(text) > MOST_DIGITS:
        raise ValueError("a whole number of too many digits")
    value = int(text) if whole else float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is no number")
    return value


def _no_record(why: str) -> Trouble:
    return Trouble(f"is not the record of an attempt ({why})",
                   remedy="analyse the clip again, or move the folder out of the library")


@cache
def _validator() -> jsonschema_rs.Validator:
    schema = json.loads((resources.files("cli") / "attempt.schema.json").read_text("utf-8"))
    return jsonschema_rs.validator_for(_bounded(schema | {
        "required": list(_NEEDED), "properties": {**schema["properties"], **_MORE}}))


def _bounded(schema: Any) -> Any:
    """The schema with every number in it held to LARGEST_NUMBER."""
    if isinstance(schema, list):
        return [_bounded(s) for s in schema]
    if not isinstance(schema, Mapping):
        return schema
    out = {k: _bounded(v) for k, v in schema.items()}
    kinds = out.get("type")
    if {"number", "integer"} & {*([kinds] if isinstance(kinds, str) else kinds if isinstance(kinds, list) else ())}:
        out = {"minimum": -LARGEST_NUMBER, "maximum": LARGEST_NUMBER, **out}
    return out


def read_track(raw: bytes) -> dict[str, np.ndarray]:
    """The columns of a track.parquet's bytes, each (n,) float, NaN where nothing is known, or bool. Raises Trouble."""
    import pyarrow as pa  # here, so that what reads records only does not wait for it
    import pyarrow.parquet as pq
    try:
        with pq.ParquetFile(io.BytesIO(raw), thrift_string_size_limit=1 << 20,
                            thrift_container_size_limit=1 << 16) as file:
            about, schema = file.metadata, file.schema_arrow
            told = sum(about.row_group(i).total_byte_size for i in range(about.num_row_groups))
            if about.num_rows > MOST_ROWS or len(schema) > MOST_COLUMNS or told > LARGEST_TRACK_BYTES:
                raise _no_track(f"{about.num_rows} rows of {len(schema)} columns")
            if any(not (pa.types.is_floating(f.type) or pa.types.is_integer(f.type) or pa.types.is_boolean(f.type))
                   for f in schema) or len(set(schema.names)) < len(schema.names):
                raise _no_track("its columns are not numbers")
            table = file.read()
    except (pa.ArrowException, OSError, ValueError, MemoryError, OverflowError) as e:
        raise _no_track(str(e).splitlines()[0][:100] if str(e) else type(e).__name__) from None
    columns = {name: table[name].to_numpy() for name in table.column_names}
    return {name: values if values.dtype == bool else values.astype(float) for name, values in columns.items()}


def _no_track(why: str) -> Trouble:
    return Trouble(f"{TRACK} cannot be read ({why})", remedy="analyse the clip again")
