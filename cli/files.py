"""Reading the files people write: vehicle, course, rules and lens TOML, hand-picked marks CSV.

Every complaint names the file first, so that a person with five files open knows which one to mend.
"""

from __future__ import annotations

import csv
import math
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

import numpy as np

from analysis.course import Course, course_from_table
from analysis.rules import Rules, rules_from_table
from analysis.sensorlog import COLUMNS as SENSOR_COLUMNS
from analysis.sensorlog import SensorLog, sensor_log
from analysis.table import REQUIRED, Table
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle, vehicle_from_table
from cli.whole import disk_trouble
from vision.camera import Lens
from vision.survey import Pick

T = TypeVar("T")

LARGEST_TEXT_BYTES = 1_000_000
RULES_ENDING = ".rules.toml"
USUAL = "usual"
_SHIPPED = Path(__file__).parent / "data"
PICKS_HEADER = ["name", "u_px", "v_px"]


def read_text(path: Path) -> str:
    """The text of a small file a person wrote (UTF-8, with or without byte-order mark)."""
    where = str(path)
    try:
        if path.is_dir():
            raise Trouble("this is a folder, not a file", where=where, remedy="give the file inside it")
        size = path.stat().st_size
        if size > LARGEST_TEXT_BYTES:
            raise Trouble(f"{size / 1e6:.0f} MB is too large for this kind of file", where=where,
                          remedy="is it perhaps the clip? check the order of the file names")
        raw = path.read_bytes()
    except FileNotFoundError:
        raise Trouble("no such file", where=where, remedy="check the spelling and the folder") from None
    except OSError as e:
        raise Trouble(f"cannot be read ({e.strerror or e})", where=where, remedy="check its permissions") from None
    if not raw.strip():
        raise Trouble("the file is empty", where=where, remedy="write it, or copy one of the samples and change it")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        line = raw[:e.start].count(b"\n") + 1
        raise Trouble(f"line {line} is not UTF-8 text", where=where,
                      remedy="save the file again with encoding UTF-8") from None


def read_table(path: Path) -> dict[str, Any]:
    """A TOML file as a plain mapping."""
    text = read_text(path)
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as e:  # a day or number that cannot be is a ValueError; brackets without end
        raise Trouble(f"not valid TOML: {_lower_first(str(e))}", where=str(path),
                      remedy="each line is  key = value ; text stands in \"quotes\"") from None


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


def read_as(path: Path, reader: Callable[[Mapping[str, Any]], T]) -> T:
    """A TOML file read by one of the checked readers; any Trouble gets the file's name in front."""
    values = read_table(path)
    try:
        return reader(values)
    except Trouble as e:
        raise e.at(str(path)) from None


def read_vehicle(path: Path) -> Vehicle:
    return read_as(path, vehicle_from_table)


def read_course(path: Path) -> Course:
    return read_as(path, course_from_table)


def rules_file(named: Path | None) -> Path:
    """The file of a rule set: `named` itself, or the one of this name that ships with the program; None: the usual."""
    shipped = _SHIPPED / f"{named or USUAL}{RULES_ENDING}"
    return shipped if named is None or (shipped.is_file() and not named.exists()) else named


def is_shipped(file: Path) -> bool:
    return file.parent == _SHIPPED


def read_rules(named: Path | None) -> Rules:
    """The rule set of a file, or of a name that ships with the program; None for the usual one."""
    return read_as(rules_file(named), rules_from_table)


def read_lens(path: Path) -> Lens:
    return read_as(path, lens_from_table)


def lens_from_table(values: Mapping[str, Any]) -> Lens:
    """Read a `*.lens.toml` mapping: a calibrated lens in pixels, Brown distortion k1 k2 p1 p2 k3.

    Pixel (0, 0) is the centre of the top-left pixel, as OpenCV's calibration gives it.
    """
    t = Table(values)
    t.whole("schema", 1, 1, 1)
    t.text("name", "")
    width, height = t.whole("width_px", 64, 16384, REQUIRED), t.whole("height_px", 64, 16384, REQUIRED)
    lens = Lens(width, height, t.number("fx_px", 0.2 * width, 20 * width, REQUIRED),
                t.number("fy_px", 0.2 * width, 20 * width, REQUIRED), t.number("cx_px", 0, width, (width - 1) / 2),
                t.number("cy_px", 0, height, (height - 1) / 2),
                (t.number("k1", -2, 2, 0.0), t.number("k2", -5, 5, 0.0), t.number("p1", -0.2, 0.2, 0.0),
                 t.number("p2", -0.2, 0.2, 0.0), t.number("k3", -5, 5, 0.0)))
    t.done()
    return lens


def csv_rows(path: Path) -> Iterator[tuple[str, list[str]]]:
    """The rows of a CSV file, at least one, and where each stands. Raises Trouble for what is no CSV."""
    rows = csv.reader(read_text(path).splitlines())
    try:
        for row in rows:
            yield f"{path}: line {rows.line_num}", row
    except csv.Error as e:
        raise Trouble(f"not a table of values with commas between ({e})", where=f"{path}: line {rows.line_num}",
                      remedy="save it as plain CSV again") from None


def read_rows(path: Path, header: list[str] | None = None) -> tuple[list[str], Iterator[tuple[str, list[str]]]]:
    """A table a person wrote as CSV: its heading, and where each row stands with its cells, blank rows left out.

    Raises Trouble for another heading than `header` (where given), and in passing for a row of another length."""
    rows = csv_rows(path)
    _, heading = next(rows)
    found = [h.strip() for h in heading]
    if header is not None and found != header:
        raise Trouble(f"the first line is '{','.join(found)[:80]}'", where=str(path),
                      remedy=f"it must be  {','.join(header)}")

    def each() -> Iterator[tuple[str, list[str]]]:
        for where, row in rows:
            if any(cell.strip() for cell in row):
                if len(row) != len(found):
                    raise Trouble(f"{len(row)} values", where=where, remedy=f"write {len(found)}: {','.join(found)}")
                yield where, row
    return found, each()


def read_sensors(path: Path) -> SensorLog:
    """A log of sensors on the vehicle, from CSV: a header `t_s` and any of sensorlog.COLUMNS, one row a time.

    Seconds by any clock, increasing; angles in degrees, left positive; speed forward positive (or without sign).
    An empty cell is a missing value.
    """
    header, rows = read_rows(path)
    if header[:1] != ["t_s"] or len(set(header)) != len(header):
        raise Trouble(f"the first line is '{','.join(header)[:80]}'", where=str(path),
                      remedy=f"it must be  t_s  and any of  {', '.join(SENSOR_COLUMNS)}")
    values: list[list[float]] = []
    for where, row in rows:
        try:
            values.append([float(cell) if cell.strip() else math.nan for cell in row])
        except ValueError:
            raise Trouble(f"'{','.join(row)[:80]}' are not numbers", where=where,
                          remedy="write numbers with a decimal point, nothing where a value is missing") from None
    table = np.array(values).reshape(-1, len(header))
    try:
        return sensor_log(table[:, 0], {name: table[:, k] for k, name in enumerate(header) if k})
    except Trouble as e:
        raise e.at(str(path)) from None


def read_picks(path: Path, course: Course) -> tuple[Pick, ...]:
    """Marks picked by hand in the clip's first picture, from CSV with the header `name,u_px,v_px`.

    One row a mark: its name in the course file and the pixel of the middle of its base, where 0, 0 is
    the centre of the top-left pixel. At least four marks, not all in one row on the ground, are needed.
    """
    _, rows = read_rows(path, PICKS_HEADER)
    picks: list[Pick] = []
    for where, row in rows:
        name = row[0].strip()
        try:
            u, v = float(row[1]), float(row[2])
        except ValueError:
            raise Trouble(f"'{','.join(row[1:])}' are not two numbers", where=where,
                          remedy="write pixels with a decimal point") from None
        if not (math.isfinite(u) and math.isfinite(v)):
            raise Trouble("a value is not finite", where=where, remedy="write the pixel of the mark's base")
        if not course.has_mark(name):
            raise Trouble(f"the course has no mark '{name}'", where=where,
                          remedy="its marks: " + ", ".join(m.name for m in course.marks))
        if any(p.name == name for p in picks):
            raise Trouble(f"'{name}' is picked twice", where=where, remedy="keep one of the two")
        picks.append(Pick(name, u, v))
    if len(picks) < 4:
        raise Trouble(f"only {len(picks)} marks", where=str(path), remedy="pick at least four, widely spread")
    return tuple(picks)


def refuse_existing(out: Path) -> None:
    """Raises Trouble when a file a person asked for exists already: before the work for it is done."""
    if out.exists():
        raise _existing(out)


def _existing(out: Path) -> Trouble:
    return Trouble("exists already and is left as it is", where=str(out),
                   remedy="name another file, or remove this one first")


@contextmanager
def new_file(out: Path) -> Iterator[BinaryIO]:
    """A file a person asked for, to be written to; never over an existing one. Raises Trouble when it cannot be."""
    try:
        f = out.open("xb")
    except FileExistsError:
        raise _existing(out) from None
    except OSError as e:
        raise disk_trouble(e, out) from None
    try:
        with f:
            yield f
    except BaseException as e:  # half a file must not stand in the way of the next try
        out.unlink(missing_ok=True)
        if isinstance(e, OSError):
            raise disk_trouble(e, out) from None
        raise
    print(f"wrote {out}")


def write_new(out: Path, text: str) -> None:
    """Write a text file a person asked for; never over an existing one. Raises Trouble when it cannot be written."""
    with new_file(out) as f:
        f.write(text.encode())
