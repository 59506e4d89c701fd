"""The setting-out sheet to take to the yard, as a file to print: the app's own pages carry no style of their own."""

from __future__ import annotations

import asyncio

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from analysis.course import check_room
from analysis.setting_out import TAPE_M, setting_out
from cli import files
from cli.app.context import parts
from cli.setout import MARGIN_M, room_sentence, sheet_html


async def sheet(request: Request) -> Response:
    folder, asked = parts(request).folder, request.query_params
    vehicle = files.read_vehicle(folder.existing("vehicles", asked.get("vehicle", "")))
    name = asked.get("course", "")
    course = files.read_course(folder.existing("courses", name))
    check_room(course, vehicle)
    plan = setting_out(course, margin_m=MARGIN_M)
    room = await asyncio.to_thread(room_sentence, vehicle, course)
    return HTMLResponse(sheet_html(vehicle, course, plan, TAPE_M, MARGIN_M, room),
                        headers={"content-disposition": f'attachment; filename="setting_out_{name}.html"'})


ROUTES = [Route("/setup/sheet", sheet)]
