"""Setting up a course: by the published proportions, or corrected by a tape survey typed in."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import zip_longest

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from analysis.course import Course, check_room
from analysis.layouts import SETTINGS, course_for
from analysis.tape import Taped
from analysis.trouble import Trouble
from cli import files
from cli.app.context import page, parts, view
from cli.app.folder import Folder, slug
from cli.app.pictures import course_drawing, course_picture
from cli.app.routes_setup import name_of, typed_length_m
from cli.app.routes_view import form_of, lists_of
from cli.app.wording import Wording
from cli.course_survey import places_m, solved
from cli.courses import course_toml, moved
from cli.whole import write_whole

_MOST_ROWS = 200


async def form(request: Request) -> Response:
    folder = parts(request).folder
    names = folder.names("vehicles")
    if not names:
        return RedirectResponse("/setup", 303)
    return page(request, "course.html", vehicles=names,
                exercises={e: {n: (s.what, s.source) for n, s in settings.items()} for e, settings in SETTINGS.items()})


async def draw(request: Request) -> Response:
    course = _course(parts(request).folder, await form_of(request), view(request).units)
    return JSONResponse({"svg": course_picture(course), "name": course.name})


async def save(request: Request) -> Response:
    fields, folder = await form_of(request), parts(request).folder
    course = _course(folder, fields, view(request).units)
    _keep(folder, name_of(fields) if fields.get("name", "").strip() else course.name, course)
    return RedirectResponse("/setup", 303)


def _course(folder: Folder, fields: Mapping[str, str], units: str) -> Course:
    """The course that a form describes: by the published proportions, with the school's own distances where given."""
    vehicle = files.read_vehicle(folder.existing("vehicles", fields.get("vehicle", "")))
    exercise = fields.get("exercise", "s_reverse")
    if exercise not in SETTINGS:
        raise Trouble("this exercise is not known", where="exercise", remedy="reload the page")
    wanted = {name: typed_length_m(fields, name, units, vehicle) for name in SETTINGS[exercise]
              if fields.get(name, "").strip()}
    course = course_for(vehicle, exercise, bay_on_left=fields.get("bay_on", "left") == "left", wanted=wanted)
    check_room(course, vehicle)
    return course


def _keep(folder: Folder, title: str, course: Course) -> None:
    name = slug(title, lambda n: folder.place("courses", n).exists())
    write_whole(folder.place("courses", name), course_toml(course))


# ---- a tape survey ---------------------------------------------------------------------------------------------------


async def tape_form(request: Request) -> Response:
    folder = parts(request).folder
    names = folder.names("courses")
    if not names:
        return RedirectResponse("/setup", 303)
    chosen = request.query_params.get("of", names[0])
    course = files.read_course(folder.existing("courses", chosen))
    return page(request, "tape.html", courses=names, chosen=chosen, places=list(places_m(course)),
                drawing=course_drawing(course))


async def check_tape(request: Request) -> Response:
    """The yard as the distances have it, and how well they agree."""
    taped, surveyed = _surveyed(parts(request).folder, await lists_of(request), view(request).units)
    say = Wording(view(request).language).say
    return JSONResponse({"svg": course_picture(surveyed.course), "name": surveyed.course.name, "told": say(
        "tape.agree", n=len(taped), cm=f"{100 * max(abs(r) for r in surveyed.residuals_m):.1f}",
        worst=f"{196 * max(surveyed.sd_m):.0f}", unchecked=sum(c < 0.02 for c in surveyed.checked))})


async def save_tape(request: Request) -> Response:
    fields, folder = await lists_of(request), parts(request).folder
    _, surveyed = _surveyed(folder, fields, view(request).units)
    _keep(folder, f"{fields['of'][-1]} taped", surveyed.course)
    return RedirectResponse("/setup", 303)


class _Surveyed:
    """A course moved to where a tape found its marks, and how well the distances agree."""

    def __init__(self, course: Course, taped: tuple[Taped, ...]) -> None:
        found = solved(taped, course, "tape")
        self.course = moved(course, found.points_m, f"tape survey of {len(taped)} distances; planned: {course.source}")
        self.residuals_m, self.checked, self.sd_m = found.residuals_m, found.checked, list(found.sd_m.values())


def _surveyed(folder: Folder, fields: Mapping[str, list[str]], units: str) -> tuple[tuple[Taped, ...], _Surveyed]:
    course = files.read_course(folder.existing("courses", fields.get("of", [""])[-1]))
    known = places_m(course)
    rows = list(zip_longest(*(fields.get(k, []) for k in ("from", "to", "distance")), fillvalue=""))
    taped = []
    for i, (a, b, distance) in enumerate(rows[:_MOST_ROWS]):
        if not distance.strip():
            continue
        where = f"{i + 1}"
        if a not in known or b not in known or a == b:
            raise Trouble("a distance needs two different marks", where=where, remedy="choose both ends")
        metres = typed_length_m({where: distance}, where, units)
        if not 0.05 <= metres <= 200:
            raise Trouble(f"{metres:g} m is out of range", where=where, remedy="allowed: 0.05 to 200 m")
        taped.append(Taped(a, b, metres))
    if not taped:
        raise Trouble("no distance is typed in yet", where="tape", remedy="measure between marks, three for each mark")
    return tuple(taped), _Surveyed(course, tuple(taped))


ROUTES = [
    Route("/setup/course", form),
    Route("/setup/course", save, methods=["POST"]),
    Route("/setup/course/drawing", draw, methods=["POST"]),
    Route("/setup/tape", tape_form),
    Route("/setup/tape", save_tape, methods=["POST"]),
    Route("/setup/tape/drawing", check_tape, methods=["POST"]),
]
