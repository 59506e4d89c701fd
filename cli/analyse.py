"""From a recording to an attempt folder: read what was given, measure, judge, write everything down."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from analysis.attempt import Attempt
from analysis.course import check_room
from analysis.judge import judge, with_room
from analysis.trouble import Trouble
from cli import files, store, words
from cli.made_with import given_files, made_with
from cli.progress import Report, Reporting, on_terminal
from cli.records import CODE
from cli.room_ahead import RoomAhead
from cli.summary import print_summary
from vision.footage import open_footage
from vision.measure import measure
from vision.memory import few_pools, give_back
from vision.steady import one_thread_each


@dataclass(frozen=True)
class Request:
    """What was asked for on the command line."""

    clips: tuple[Path, ...]
    vehicle: Path
    course: Path
    out: Path
    rules: Path | None = None
    lens: Path | None = None
    marks: Path | None = None
    trainee: str | None = None
    instructor: str | None = None
    csv: bool = False
    video: bool = True
    room: bool = True
    sensors: Path | None = None
    addresses: tuple[str, ...] = ()  # of the clips, where they were fetched from another file system


GIVEN = ("vehicle", "course", "rules", "lens", "marks", "sensors")  # fields of a Request that name files
OPTIONS = ("csv", "video", "room")


def demo_request(out: Path) -> Request:
    """The request that analyses the bundled clip."""
    samples = Path(__file__).resolve().parents[1] / "sample_clips"
    clip = samples / DEMO / "clip.mp4"
    if not clip.exists():
        raise Trouble("the bundled clip is not here", where=str(clip),
                      remedy="run the demo in a checkout of the source, or analyse a clip of your own")
    return Request((clip,), clip.with_name("vehicle.toml"), clip.with_name("course.toml"), out)


DEMO = "lorry_dry_steer"


def analyse(request: Request, reporting: Reporting = on_terminal) -> None:
    """Run the whole pipeline, write the attempt folder and print what was found. Raises Trouble; the folder is then
    unchanged."""
    print_summary(run(request, reporting), str(request.out / store.REVIEW))


def run(request: Request, reporting: Reporting = on_terminal) -> Attempt:
    """Run the whole pipeline and write the attempt folder. Raises Trouble; the folder is then unchanged."""
    given = given_files({what: getattr(request, what) for what in GIVEN}, request.out)
    vehicle, course = files.read_vehicle(request.vehicle), files.read_course(request.course)
    try:
        check_room(course, vehicle)
    except Trouble as e:
        raise e.at(str(request.course)) from None
    rules = files.read_rules(request.rules)
    lens = files.read_lens(request.lens) if request.lens else None
    picks = files.read_picks(request.marks, course) if request.marks else None
    log = files.read_sensors(request.sensors) if request.sensors else None
    people = {"trainee": code("--trainee", request.trainee), "instructor": code("--instructor", request.instructor)}
    store.check_usable(request.out)
    stamps = store.clip_stamps(request.clips)
    few_pools()
    try:
        with one_thread_each(), reporting() as report, RoomAhead(vehicle, rules) as rooms:
            footage = open_footage(request.clips)
            track = measure(request.clips, vehicle, course, lens=lens, picks=picks, progress=report,
                            surveyed=rooms.begin if request.room else None)
            give_back()
            report("judging the run", 0.0)
            attempt = noted(judge(track, vehicle, course, rules, log))
            if request.room:
                attempt = _explained(attempt, rooms, report)
            # What draws and writes is imported now: the vehicle need not wait for it to be found.
            from cli.written import write
            with store.replacing(request.out) as folder:
                record = write(request, footage, attempt, people, folder, report)
                store.check_unchanged(stamps)
                store.write_record(folder, record | {"made_with": made_with(given, {
                    option: getattr(request, option) for option in OPTIONS})})
    except Exception:
        store.check_unchanged(stamps)  # which tells why better than what followed from it
        raise
    return attempt


def noted(attempt: Attempt) -> Attempt:
    """The attempt with a note of what a sensor log brought, if one was used."""
    if attempt.sensors is None:
        return attempt
    return replace(attempt, track=replace(attempt.track, notes=(*attempt.track.notes, words.sensors(attempt.sensors))))


def _explained(attempt: Attempt, rooms: RoomAhead, report: Report) -> Attempt:
    """The attempt with its room left. A course that has none (no way into a box) costs only this part."""
    stage = "working out the room left"
    report(stage, 0.0)
    try:
        return with_room(attempt, rooms.along(attempt, lambda share: report(stage, share)))
    except Trouble as e:
        note = f"Room left could not be worked out: {e.what}."
        return replace(attempt, track=replace(attempt.track, notes=(*attempt.track.notes, note)))


def code(option: str, code: str | None) -> str | None:
    if code is not None and not CODE.fullmatch(code):
        raise Trouble(f"'{code}' is not a code", where=option,
                      remedy="use up to 24 letters, digits, - and _, and never a person's name")
    return code
