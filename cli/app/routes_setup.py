"""First use and later: vehicles and lenses, written as the files that the command line reads too."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from importlib import resources
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from analysis.trouble import Trouble
from analysis.vehicle import Vehicle, vehicle_from_table
from cli import files
from cli.app.context import page, parts, view
from cli.app.folder import slug
from cli.app.routes_view import form_of
from cli.app.wording import FEET_IN_A_METRE
from cli.drawing import vehicle_drawing
from cli.lengths import length_m
from cli.vehicles import generic_names
from cli.whole import write_whole

# What is asked for, in the order of a walk around the vehicle with a tape. The unit stands in the name.
SIZES = ("length_m", "width_m", "height_m", "wheelbase_m", "front_overhang_m", "track_front_m", "track_rear_m",
         "tyre_width_front_m", "tyre_width_rear_m", "wheel_radius_m", "max_wheel_angle_deg", "size_sd_m")
NEEDED = SIZES[:5]
CAB = ("cab_length_m", "cab_height_m")  # of a lorry whose cab is lower than its body; written as two solids
TRAILER_SIZES = ("hitch_x_m", "hitch_to_axle_m", "length_m", "width_m", "height_m", "rear_overhang_m",
                 "max_articulation_deg")


async def overview(request: Request) -> Response:
    folder = parts(request).folder
    return page(request, "setup.html", vehicles=folder.names("vehicles"), courses=folder.names("courses"),
                lenses=folder.names("lenses"))


# ---- vehicle ---------------------------------------------------------------------------------------------------------


async def vehicle_form(request: Request) -> Response:
    names, table = generic_names(), _begun_with(request)
    return page(request, "vehicle.html", generics=[(n, _generic(n)["name"]) for n in names],
                start=request.query_params.get("from", names[0]), name=table["name"], query=request.url.query,
                sizes=_shown_sizes(table, view(request).units), trouble=None, drawn=True)


def _begun_with(request: Request) -> dict[str, Any]:
    """The table that the form began with: the vehicle named by `of`, or the generic one by `from`."""
    names, own = generic_names(), request.query_params.get("of", "")
    if own:
        return files.read_table(parts(request).folder.existing("vehicles", own))
    start = request.query_params.get("from", names[0])
    return _generic(start if start in names else names[0])


async def save_vehicle(request: Request) -> Response:
    """Keep a new vehicle, or correct the one named by `of`, whose further keys stay as they were written by hand."""
    fields, folder, own = await form_of(request), parts(request).folder, request.query_params.get("of", "")
    before = _begun_with(request)
    table = _vehicle_table(fields, view(request).units, before)
    if own:
        asked = {*SIZES, "name", "schema", *(("solid",) if _cab(before) or "solid" in table else ()),
                 *(("trailer",) if "trailer" in table else ())}
        table = table | {key: value for key, value in before.items() if key not in asked}
    try:
        vehicle_from_table(table)
    except Trouble as e:
        return page(request, "vehicle.html", status=422, generics=[], start="", name=fields.get("name", ""),
                    sizes=[(k, fields.get(k, ""), needed) for k, _, needed in _shown_sizes(before, "m")], trouble=e,
                    query=request.url.query, drawn=False)
    name = own or slug(table["name"], lambda n: folder.place("vehicles", n).exists())
    write_whole(folder.place("vehicles", name), _HEAD + _toml_text(table))
    return RedirectResponse("/setup", 303)


_HEAD = "# Sizes in metres, angles in degrees. Correct them with a tape; the app reads this file anew each time.\n"


async def draw_vehicle(request: Request) -> Response:
    """The labelled drawing for the sizes as they are typed, or what is wrong with them."""
    table = _vehicle_table(await form_of(request), view(request).units, _begun_with(request))
    return JSONResponse({"svg": vehicle_drawing(vehicle_from_table(table)), "name": table["name"]})


def _cab(table: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The lower cab of a vehicle that this form made of two solids."""
    solids = table.get("solid", [])
    return solids[1] if [s.get("name") for s in solids] == ["body", "cab"] else None


async def remove(request: Request) -> Response:
    """Take a vehicle, course or camera off the lists. Attempts keep their own copies."""
    fields, kinds = await form_of(request), {"vehicle": "vehicles", "course": "courses", "camera": "lenses"}
    if fields.get("kind") not in kinds:
        raise Trouble("the request is not understood", remedy="reload the page and try again")
    parts(request).folder.existing(kinds[fields["kind"]], fields.get("name", "")).unlink()
    return RedirectResponse("/setup", 303)


def _generic(name: str) -> dict[str, Any]:
    return tomllib.loads((resources.files("cli") / "data" / f"{name}.vehicle.toml").read_text("utf-8"))


def _shown_sizes(table: Mapping[str, Any], units: str) -> list[tuple[str, str, bool]]:
    def shown(key: str, table: Mapping[str, Any]) -> str:
        if key not in table:
            return ""
        return f"{table[key] * FEET_IN_A_METRE:.2f}" if units == "ft" and key.endswith("_m") else f"{table[key]:g}"

    trailer = _trailer(table)
    if trailer:
        return [*((key, shown(key, table), key in NEEDED) for key in SIZES),
                *((f"trailer_{key}", shown(key, trailer), True) for key in TRAILER_SIZES)]

    cab = _cab(table)
    if cab:
        table = {**table, "cab_length_m": cab["x_max_m"] - cab["x_min_m"], "cab_height_m": cab["z_max_m"]}
    return [(key, shown(key, table), key in NEEDED) for key in (*SIZES, *CAB)]


def _vehicle_table(fields: Mapping[str, str], units: str, before: Mapping[str, Any]) -> dict[str, Any]:
    """What was typed. A trailer is that of the table before, with the sizes typed; the towing vehicle's boxes are then
    those from before as well, stretched to its new sizes."""
    table: dict[str, Any] = {"schema": 1, "name": name_of(fields)}
    for key in SIZES:
        if fields.get(key, "").strip():
            table[key] = typed_length_m(fields, key, units) if key.endswith("_m") else number_of(fields, key)
    if any(fields.get(key, "").strip() for key in CAB) and all(key in table for key in NEEDED):
        length, height = (typed_length_m(fields, key, units) for key in CAB)
        front = table["wheelbase_m"] + table["front_overhang_m"]
        table["solid"] = [
            {"name": "body", "x_min_m": round(front - table["length_m"], 4), "x_max_m": round(front - length, 4),
             "z_max_m": table["height_m"]},
            {"name": "cab", "x_min_m": round(front - length, 4), "x_max_m": round(front, 4), "z_max_m": height}]
    trailer = _trailer(before)
    if trailer:
        for key in TRAILER_SIZES:
            field = f"trailer_{key}"
            trailer[key] = _signed_m(fields, field, units) if key.endswith("_m") else number_of(fields, field)
        table["trailer"] = trailer
        if "solid" in before and all(key in table for key in NEEDED):
            table["solid"] = [_stretched(solid, before, table) for solid in before["solid"]]
    return table


def _trailer(table: Mapping[str, Any]) -> dict[str, Any] | None:
    """The trailer's sizes in a vehicle's table; None where there is none, or what was written by hand is not right."""
    try:
        vehicle_from_table(table)
    except Trouble:
        return None
    return {k: v for k, v in table["trailer"].items() if k != "combination_length_m"} if "trailer" in table else None


def _signed_m(fields: Mapping[str, str], key: str, units: str) -> float:
    """A length that may lie behind: with a minus sign."""
    text = fields.get(key, "").strip()
    if text[:1] in ("-", "\u2212"):
        return -typed_length_m({key: text[1:]}, key, units)
    return typed_length_m(fields, key, units)


def _stretched(solid: Mapping[str, Any], before: Mapping[str, Any], table: Mapping[str, Any]) -> dict[str, Any]:
    """A box of a vehicle with other sizes: moved and lengthened as its body is, as high in proportion."""
    fronts = [t["wheelbase_m"] + t["front_overhang_m"] for t in (before, table)]
    along, up = table["length_m"] / before["length_m"], table["height_m"] / before["height_m"]
    moved = {key: round(fronts[1] + (solid[key] - fronts[0]) * along, 4) for key in ("x_min_m", "x_max_m")}
    moved |= {key: round(solid[key] * up, 4) for key in ("z_min_m", "z_max_m") if key in solid}
    if "width_m" in solid:
        moved["width_m"] = round(solid["width_m"] * table["width_m"] / before["width_m"], 4)
    return {**solid, **moved}


# ---- camera ----------------------------------------------------------------------------------------------------------


async def lens_form(request: Request) -> Response:
    return page(request, "lens.html", trouble=None, fields={})


async def save_lens(request: Request) -> Response:
    """A lens from the picture's size and its angle of view or focal length in pixels; or a calibrated one, pasted."""
    fields, folder = await form_of(request), parts(request).folder
    try:
        if fields.get("toml", "").strip():
            files.lens_from_table(_pasted(fields["toml"]))
            name = slug(name_of(fields), lambda n: folder.place("lenses", n).exists())
            write_whole(folder.place("lenses", name), fields["toml"].replace("\r\n", "\n"))
            return RedirectResponse("/setup", 303)
        width, height = (int(number_of(fields, k)) for k in ("width_px", "height_px"))
        if fields.get("fx_px", "").strip():
            focal = number_of(fields, "fx_px")
        else:
            focal = width / 2 / math.tan(math.radians(number_of(fields, "view_deg")) / 2)
        table = {"schema": 1, "name": name_of(fields), "width_px": width, "height_px": height,
                 "fx_px": round(focal, 2), "fy_px": round(focal, 2)}
        files.lens_from_table(table)
    except Trouble as e:
        return page(request, "lens.html", status=422, trouble=e, fields=fields)
    name = slug(name_of(fields), lambda n: folder.place("lenses", n).exists())
    write_whole(folder.place("lenses", name), _toml_text(table))
    return RedirectResponse("/setup", 303)


def _pasted(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as e:
        raise Trouble(f"not valid TOML: {e}", where="toml", remedy="paste the whole lens file as it is") from None


# ---- what forms hold -------------------------------------------------------------------------------------------------


def number_of(fields: Mapping[str, str], key: str) -> float:
    """A number as typed, with a point or a comma. Raises Trouble."""
    text = fields.get(key, "").strip().replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise Trouble(f"'{text[:40]}' is not a number", where=key, remedy="write a number, as 11.95")
    return value


def typed_length_m(fields: Mapping[str, str], key: str, units: str, vehicle: Vehicle | None = None) -> float:
    """A length as typed, in metres: a number is in the asker's units, or '80 ft', '245 cm', '1.5L'. Raises Trouble."""
    text = fields.get(key, "").strip()
    if units == "ft" and text.replace(",", ".").replace(".", "", 1).isdigit():
        text += " ft"
    try:
        return round(length_m(text, vehicle), 4)
    except Trouble as e:
        raise e.at(key) from None


def name_of(fields: Mapping[str, str]) -> str:
    name = " ".join(fields.get("name", "").split())
    if not 0 < len(name) <= 80:
        raise Trouble("the name is missing" if not name else "the name is too long", where="name",
                      remedy="write a name of up to 80 characters")
    return name


def _toml_text(table: Mapping[str, Any]) -> str:
    """A table of plain values, tables and lists of tables, and the same in those tables, as TOML."""
    def lines(values: Mapping[str, Any]) -> str:
        return "".join(f"{key} = {_toml(v)}\n" for key, v in values.items() if not isinstance(v, (dict, list)))

    def lists(values: Mapping[str, Any], path: str = "") -> str:
        return "".join(f"\n[[{path}{key}]]\n{lines(item)}" for key, v in values.items() if isinstance(v, list)
                       for item in v)

    nested = [f"\n[{key}]\n{lines(v)}{lists(v, f'{key}.')}" for key, v in table.items() if isinstance(v, dict)]
    return lines(table) + lists(table) + "".join(nested)


def _toml(value: Any) -> str:
    if isinstance(value, str):
        kept = "".join(c for c in value if c.isprintable())
        return '"' + kept.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return str(value).lower() if isinstance(value, bool) else repr(value)


ROUTES = [
    Route("/setup", overview),
    Route("/setup/vehicle", vehicle_form),
    Route("/setup/vehicle", save_vehicle, methods=["POST"]),
    Route("/setup/vehicle/drawing", draw_vehicle, methods=["POST"]),
    Route("/setup/remove", remove, methods=["POST"]),
    Route("/setup/lens", lens_form),
    Route("/setup/lens", save_lens, methods=["POST"]),
]
