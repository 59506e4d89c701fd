"""Damaged and crafted files of every kind that the program reads besides clips, each through what reads it for a user.

Case n is one kind of file, spoilt in its values or in its bytes as drawn by the seed n.
"""

from __future__ import annotations

import io
import json
import random
import shutil
import tomllib
import zipfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from attempt_folders import write_attempt
from simulate import bus

from analysis.course import check_room
from analysis.layouts import course_for
from analysis.trouble import Trouble
from cli import analyse, files, store
from cli.app import vtt
from cli.app.folder import Folder, NotThere
from cli.app.jobs import Job, Queue, Report
from cli.app.people import Standing, standing
from cli.app.pictures import course_drawing, course_picture
from cli.app.rewrite import take_apart
from cli.app.routes_clips import shown
from cli.app.telling import Telling
from cli.app.wording import View
from cli.audit import audit_of
from cli.batch import read_batch
from cli.course_survey import write_surveyed
from cli.courses import course_toml
from cli.drawing import vehicle_drawing
from cli.library.archive import export, import_
from cli.library.erase import erase_trainee
from cli.library.library import Library, open_library
from cli.library.people import Correction, FindingKey, append_correction
from cli.library.query import Filter, facets, find
from cli.library.retention import RETENTION, due
from cli.siblings import earlier_attempts
from cli.vehicles import figures_text
from cli.verify import verify_all
from soak.mutation import mutated
from soak.values import NASTY, changed, csv_bytes, json_bytes, toml_bytes

assert analyse is not None  # loaded before the cases begin: the first would else be charged with it
LONGEST_S = 60.0
MEMORY_MB = 1000.0
DATA = Path(files.__file__).parent / "data"

Write = Callable[[random.Random], bytes]
Use = Callable[[Path, Path], object]  # (the spoilt file, the case's folder)


class Kinds:
    """Each kind of file: how a spoilt one is made, under which name it lies, and what reads it."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._course = course_for(bus())
        self._vehicle_toml = (DATA / "city_bus_12.vehicle.toml").read_text("utf-8")
        (folder / "course.toml").write_text(course_toml(self._course))
        (folder / "vehicle.toml").write_text(self._vehicle_toml)
        self._seeds = folder
        attempt = write_attempt(folder / "school" / "run-1", trainee="T1")
        turn, end = FindingKey("dry_steering", "", 5.0), FindingKey("barrier", "barrier", 9.0)
        said = append_correction(attempt, Correction("I1", "overrule", turn, "fault", "ok", reason="it moved"))
        append_correction(attempt, Correction("I1", "withdraw", withdraws=said.id))
        append_correction(attempt, Correction("I1", "add", end, None, "fault", 9.0, 10.0))
        (attempt / "people" / "about.json").write_text(json.dumps(
            {"schema": 1, "trainee": "T1", "instructor": "I", "run_on": "2026-03-10", "weather": "rain", "notes": "é"}))
        (folder / "whole.zip").unlink(missing_ok=True)
        library = open_library(folder / "school")
        export(library, Filter(), folder / "whole.zip")
        library.close()
        shutil.rmtree(folder / "school" / ".tailtrace")
        self._attempt = attempt
        self._record = json.loads((attempt / store.RECORD).read_text("utf-8"))
        self.all: dict[str, tuple[str, Write, Use]] = {
            "vehicle": ("v.toml", self._toml(tomllib.loads(self._vehicle_toml), self._vehicle_toml), self._use_vehicle),
            "course": ("c.toml", self._toml(tomllib.loads(course_toml(self._course)), course_toml(self._course)),
                       self._use_course),
            "rules": ("r.rules.toml", self._toml_file(DATA / "offset_points.rules.toml"),
                      lambda path, here: files.read_rules(path)),
            "lens": ("l.toml", self._toml({"schema": 1, "name": "wide", "width_px": 1920, "height_px": 1080,
                                           "fx_px": 1400.5, "fy_px": 1400.0, "cx_px": 960.0, "k1": -0.01}, ""),
                     lambda path, here: files.read_lens(path)),
            "retention": (RETENTION, self._toml({"schema": 1, "pictures_days": 365, "records_days": 1825}, ""),
                          self._use_retention),
            "sensors": ("log.csv", self._csv([["t_s", "speed_mps", "yaw_rate_degps"]] + [
                [f"{0.1 * i:.1f}", f"{0.01 * i:.2f}", ""if i % 3 else "1.5"] for i in range(40)]),
                lambda path, here: files.read_sensors(path)),
            "marks": ("marks.csv", self._csv([files.PICKS_HEADER] + [
                [m.name, f"{100 + 7 * i}", f"{90 * i}"] for i, m in enumerate(self._course.marks[:6])]),
                lambda path, here: files.read_picks(path, self._course)),
            "tape": ("tape.csv", self._csv([["from", "to", "distance"]] + [
                [a.name, b.name, f"{((a.x_m - b.x_m)**2 + (a.y_m - b.y_m)**2)**0.5:.3f}"]
                for i, a in enumerate(self._course.marks) for b in self._course.marks[:i]]), self._use_survey),
            "batch": ("list.csv", self._csv([["clip", "vehicle", "course", "trainee", "run_on"],
                                             ["a.mp4", "vehicle.toml", "course.toml", "T1", "2026-03-10"],
                                             ["b.mp4;c.mp4", "vehicle.toml", "", "", ""]]),
                      lambda path, here: read_batch(path, str(here / "out"), {})),
            "record": (store.RECORD, self._json(self._record), self._use_attempt),
            "surveyed": ("attempt.json", self._json(self._record), self._use_survey),
            "corrections": ("people/corrections.jsonl", self._lines(attempt / "people" / "corrections.jsonl"),
                            self._use_attempt),
            "about": ("people/about.json", self._json(json.loads((attempt / "people" / "about.json").read_text())),
                      self._use_attempt),
            "track": (store.TRACK, self._parquet(attempt / store.TRACK), self._use_attempt),
            "page": (store.REVIEW, self._page(), lambda path, here: take_apart(
                path.read_bytes().decode("utf-8", "replace"), lambda text: text)),
            "queue": ("queue.json", self._json([
                {"id": "analyse-a", "task": "analyse", "attempt": "a", "label": "a.mp4", "made_at": "2026-11-25T10:00",
                 "state": s, "stage": "", "fraction": 0.5, "problem": ["a", "b", "c"] if s == "failed" else None}
                for s in ("waiting", "running", "failed")]), self._use_queue),
            "archive": ("came.zip", self._zip(folder / "whole.zip"), self._use_archive),
        }

    # ---- spoilt files ------------------------------------------------------------------------------------------------

    @staticmethod
    def _toml(values: dict[str, Any], text: str) -> Write:
        raw = text.encode() or toml_bytes(values, random.Random(0))
        return lambda rng: toml_bytes(changed(values, rng), rng) if rng.random() < 0.6 else mutated(raw, rng)

    def _toml_file(self, path: Path) -> Write:
        return self._toml(tomllib.loads(path.read_text("utf-8")), path.read_text("utf-8"))

    @staticmethod
    def _json(values: Any) -> Write:
        raw = json.dumps(values, indent=1).encode()
        return lambda rng: json_bytes(changed(values, rng), rng) if rng.random() < 0.7 else mutated(raw, rng)

    @staticmethod
    def _csv(rows: list[list[str]]) -> Write:
        raw = "\n".join(",".join(row) for row in rows).encode()
        return lambda rng: csv_bytes(rows, rng) if rng.random() < 0.6 else mutated(raw, rng)

    @staticmethod
    def _lines(path: Path) -> Write:
        raw = path.read_bytes()
        lines = [json.loads(line) for line in raw.splitlines()]

        def write(rng: random.Random) -> bytes:
            if rng.random() < 0.3:
                return mutated(raw, rng)
            return b"\n".join(json_bytes(changed(line, rng) if rng.random() < 0.6 else line, rng) for line in lines)
        return write

    @staticmethod
    def _parquet(path: Path) -> Write:
        raw, table = path.read_bytes(), pq.read_table(path)

        def write(rng: random.Random) -> bytes:
            if rng.random() < 0.6:
                return mutated(raw, rng)
            columns = {name: table[name] for name in table.column_names}
            for _ in range(rng.randint(1, 3)):
                name = rng.choice(list(columns))
                spoilt = rng.choice((None, "text", [1.0], {"a": 1}, 1e308, float("nan"), True, 2**62, b"\xff"))
                columns[name] = pa.array([spoilt] * len(table))
                if rng.random() < 0.2:
                    columns[rng.choice(("", "x\ny", "t_s "))] = columns.pop(name)
            out = io.BytesIO()
            pq.write_table(pa.table(columns).slice(0, rng.choice((0, 1, len(table)))), out)
            return out.getvalue()
        return write

    def _page(self) -> Write:
        data = json.dumps({"motion": {"t": [0, 1]}, "charts": [], "camera": None})
        page = (f'<!doctype html><html><head><title>x</title></head><body class="a"><h1>ok</h1><video src="x"></video>'
                f'<svg viewBox="0 0 1 1"><path d="M0 0" onclick="x()" style="fill:red"/></svg><button class="finding">f'
                f'</button><script type="application/json" id="data">{data}</script><script>1</script></body></html>')

        def write(rng: random.Random) -> bytes:
            text = page.replace("ok", str(rng.choice(NASTY))[:500]) if rng.random() < 0.5 else page
            return mutated(text.encode("utf-8", "surrogatepass"), rng) if rng.random() < 0.8 else text.encode(
                "utf-8", "surrogatepass")
        return write

    def _zip(self, path: Path) -> Write:
        raw = path.read_bytes()
        with zipfile.ZipFile(path) as z:
            members = {m.filename: z.read(m) for m in z.infolist()}
        manifest = json.loads(members["manifest.json"])

        def write(rng: random.Random) -> bytes:
            what = rng.random()
            if what < 0.4:
                return mutated(raw, rng)
            changing, listed = dict(members), manifest
            if what < 0.7:
                listed = changed(manifest, rng)
            else:
                name = rng.choice(list(changing))
                changing[name] = mutated(changing[name], rng)
            changing["manifest.json"] = json_bytes(listed, rng) if what < 0.9 else changing["manifest.json"]
            out = io.BytesIO()
            with zipfile.ZipFile(out, "w", rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2,
                                                       zipfile.ZIP_LZMA))) as z:
                for name, content in changing.items():
                    entry = zipfile.ZipInfo(name if rng.random() < 0.95 else rng.choice(
                        ("../x", "/x", "run-1/../../x", "run-1/CON", "run-1/a\\b", "run-1/" + "x" * 300,
                         "run-1/attempt.json/x", "run-1/\u202egnp", "RUN-1/attempt.json", "run-1//x", "run-1/x.",
                         "run-1/.x")))
                    entry.external_attr = rng.choice((0o100644, 0o100644, 0o100644, 0o120777, 0o40755, 0o20666)) << 16
                    entry.compress_type = z.compression
                    z.writestr(entry, content)
            return out.getvalue()
        return write

    # ---- what reads them ---------------------------------------------------------------------------------------------

    def _use_vehicle(self, path: Path, here: Path) -> object:
        vehicle = files.read_vehicle(path)
        figures_text(vehicle)
        vehicle_drawing(vehicle)
        return vehicle.name

    def _use_course(self, path: Path, here: Path) -> object:
        course = files.read_course(path)
        again = here / "again.toml"
        again.write_text(course_toml(course))
        assert [m.name for m in files.read_course(again).marks] == [m.name for m in course.marks]
        course_drawing(course)
        course_picture(course)
        check_room(course, bus())
        return course.name

    def _use_survey(self, path: Path, here: Path) -> object:
        write_surveyed(self._seeds / "course.toml", path, here / "surveyed.toml")
        return "surveyed"

    def _use_retention(self, path: Path, here: Path) -> object:
        from datetime import date
        library = open_library(here)
        try:
            return due(library, date(2026, 11, 25))
        finally:
            library.close()

    def _use_queue(self, path: Path, here: Path) -> object:
        async def ignored(job: Job, folder: Path, report: Report) -> None: ...
        queue = Queue(Folder(here), ignored)
        queue.add("analyse", "b", "b.mp4")
        return json.dumps([shown(job) for job in queue.all()], allow_nan=False).encode()

    def _use_archive(self, path: Path, here: Path) -> object:
        library = open_library(here / "attempts")
        try:
            return self._looked_at(library, import_(library, path))
        finally:
            library.close()

    def _use_attempt(self, path: Path, here: Path) -> object:
        """An attempt with one spoilt file, beside a good one: the library, the app and the next analysis look at it."""
        if path != here / "attempts" / "run-1" / path.relative_to(here):
            place = here / "attempts" / "run-1"
            shutil.copytree(self._attempt, place, dirs_exist_ok=True)
            shutil.copytree(self._attempt, here / "attempts" / "run-2")
            shutil.copyfile(path, place / path.relative_to(here))
        with suppress(Trouble):
            verify_all([here / "attempts" / "run-1"])
        library = open_library(here / "attempts")
        try:
            told = library.refresh().troubles
            assert "run-2" in {r.id for r in find(library)}
            self._looked_at(library, told)
        finally:
            library.close()
        earlier_attempts(here / "attempts" / "run-3", "T1")
        folder = Folder(here)
        try:
            self._shown(standing(folder, "run-1"))
        except (Trouble, NotThere) as e:
            told = f"{told}; shown: {e}"
        return told

    @staticmethod
    def _shown(s: Standing) -> None:
        """As the app's pages, captions and sheets tell it, in both languages."""
        for view in (View(), View(language="de", units="ft")):
            tell = Telling(view)
            for f in s.now.findings:
                tell.sentence(f), tell.title(f["kind"], f["where"]), tell.verdict(f["verdict"])
            tell.headline(s), tell.counts(s), tell.fixed(s)("12.0 m")
            vtt.captions(s.now.findings, tell.sentence, s.record["t_end_s"]).encode()
            vtt.chapters(s.record, tell.words.say).encode()

    @staticmethod
    def _looked_at(library: Library, told: object) -> object:
        rows = find(library)
        facets(library)
        if len(rows) > 1:
            audit_of(library)
            erase_trainee(library, rows[0].trainee or "")
        return told


def prepare(folder: Path) -> Callable[[int, Path], object]:
    kinds = Kinds(folder)
    names = list(kinds.all)

    def trial(number: int, here: Path) -> object:
        name, write, use = kinds.all[names[number % len(names)]]
        path = here / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(write(random.Random(number)))
        return names[number % len(names)], use(path, here)
    return trial

