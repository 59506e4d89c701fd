"""The command `tailtrace`: what a person can ask for, and how they are told when it cannot be had."""

from __future__ import annotations

import argparse
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from analysis.trouble import Trouble, check_text
from cli.library.commands import audit, batch, library
from cli.whole import disk_trouble, is_of_the_disk

OK, DEFECT, TROUBLE, INTERRUPTED = 0, 1, 2, 130


class _Parser(argparse.ArgumentParser):
    """An argument parser whose complaints are Troubles like any other."""

    def error(self, message: str) -> None:  # type: ignore[override]
        raise Trouble(message, remedy=f"see  {self.prog} --help")


def parser() -> argparse.ArgumentParser:
    top = _Parser(prog="tailtrace", description="Measures, judges and explains reversing exercises "
                  "from an ordinary video of the yard.")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=_Parser)
    for add in (_analyse, _demo, _course, _setout, _feasible, _check_yard, _rules, _vehicle, _lens, _serve, _verify,
                batch, library, audit):
        add(commands)
    return top


# One function a command: it declares what may be asked, and `run` carries it out. What a command needs is imported
# when it runs, so that --help and a misspelt option do not wait for the measuring libraries.


def _analyse(commands: Any) -> None:
    command = commands.add_parser("analyse", help="measure and judge a clip, and write a review page",
                                  description="Measures and judges one run. Several CLIPs are the parts of one "
                                  "recording, in order.")
    command.add_argument("clips", nargs="+", type=Path, metavar="CLIP")
    command.add_argument("--vehicle", type=Path, required=True, metavar="V.toml", help="the vehicle's sizes")
    command.add_argument("--course", type=Path, required=True, metavar="C.toml", help="the course as set out")
    command.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="the attempt folder to write")
    command.add_argument("--rules", type=Path, metavar="R.toml",
                         help="a rule set: a file, or one of 'tailtrace rules' (default: usual)")
    command.add_argument("--lens", type=Path, metavar="L.toml", help="a calibrated lens (default: estimated)")
    command.add_argument("--marks", type=Path, metavar="marks.csv",
                         help="marks picked by hand in the first picture, for a clip whose marks are not found: "
                         "name,u_px,v_px")
    command.add_argument("--sensors", type=Path, metavar="log.csv",
                         help="a log of sensors on the vehicle: t_s and any of steering_wheel_deg, road_wheel_deg, "
                         "yaw_rate_degps, speed_mps (left and forward positive); its clock need not agree with the "
                         "clip's")
    command.add_argument("--trainee", metavar="CODE", help="a code for the trainee, never a name")
    command.add_argument("--instructor", metavar="CODE", help="a code for the instructor, never a name")
    command.add_argument("--csv", action="store_true", help="also write track.csv")
    command.add_argument("--no-video", action="store_true", help="leave the overlay video out (quicker)")
    command.add_argument("--no-room", action="store_true", help="leave out where the angle was lost (quicker)")

    def run(asked: argparse.Namespace) -> None:
        from cli.analyse import Request, analyse
        analyse(Request(tuple(asked.clips), asked.vehicle, asked.course, asked.out, asked.rules, asked.lens,
                        asked.marks, asked.trainee, asked.instructor, asked.csv, not asked.no_video,
                        not asked.no_room, sensors=asked.sensors))
    command.set_defaults(run=run)


def _demo(commands: Any) -> None:
    command = commands.add_parser("demo", help="analyse a bundled clip")
    command.add_argument("--out", type=Path, default=Path("demo_attempt"), metavar="FOLDER",
                         help="the attempt folder to write (default: demo_attempt)")

    def run(asked: argparse.Namespace) -> None:
        from cli.analyse import analyse, demo_request
        analyse(demo_request(asked.out))
    command.set_defaults(run=run)


def _course(commands: Any) -> None:
    command = commands.add_parser("course", help="write a course file: by the published proportions, or from a survey",
                                  description="Writes the course for --vehicle by the published proportions, or "
                                  "--course with its marks where a --survey found them. Lengths are in metres or feet: "
                                  "24.5, '80 ft', '80ft 4in', or multiples of the vehicle's length and width: 1.5L, "
                                  "1.5W.")
    command.add_argument("--vehicle", type=Path, metavar="V.toml")
    command.add_argument("--course", type=Path, metavar="C.toml", help="the planned course that was surveyed")
    command.add_argument("--survey", type=Path, metavar="TAPE.csv",
                         help="distances between marks, from,to,distance; or an analysed attempt's folder")
    command.add_argument("--exercise", choices=("s_reverse", "offset_reverse"), default="s_reverse")
    command.add_argument("--bay-on", choices=("left", "right"), default="left",
                         help="side of the yard on which the bay lies, seen from the bay")
    command.add_argument("--set", action="append", default=[], metavar="NAME=LENGTH",
                         help="another distance than the usual; may be given several times")
    command.add_argument("--distances", action="store_true",
                         help="only list the distances that can be set, their usual values and sources")
    command.add_argument("-o", "--out", type=Path, metavar="C.toml", help="default: EXERCISE.course.toml")

    def run(asked: argparse.Namespace) -> None:
        if asked.survey:
            if asked.course is None:
                raise Trouble("a survey corrects a planned course", where="--survey", remedy="give it: --course C.toml")
            from cli.course_survey import write_surveyed
            write_surveyed(asked.course, asked.survey, asked.out or Path("surveyed.course.toml"))
            return
        if asked.vehicle is None:
            raise Trouble("the course is made for a vehicle", where="course",
                          remedy="give --vehicle V.toml, or --course and --survey")
        from cli.courses import distances_text, write_course
        if asked.distances:
            print(distances_text(asked.vehicle, asked.exercise))
        else:
            write_course(asked.vehicle, asked.out or Path(f"{asked.exercise}.course.toml"), exercise=asked.exercise,
                         bay_on_left=asked.bay_on == "left", asked=asked.set)
    command.set_defaults(run=run)


def _setout(commands: Any) -> None:
    command = commands.add_parser("setout", help="write the sheet to set a course out by, with one tape",
                                  description="One printable page: plan, pegs, two arcs to each mark, checks, what is "
                                  "needed, and whether the vehicle can do it.")
    command.add_argument("--vehicle", type=Path, required=True, metavar="V.toml")
    command.add_argument("--course", type=Path, required=True, metavar="C.toml")
    command.add_argument("-o", "--out", type=Path, default=Path("setting_out.html"), metavar="SHEET",
                         help=".html, .pdf or .svg (default: setting_out.html)")
    command.add_argument("--baseline", metavar="LINE", help="the line to measure along (default: the one by the bay)")
    command.add_argument("--tape", default="30 m", metavar="LENGTH", help="length of the tape (default: 30 m)")
    command.add_argument("--margin", default="3 m", metavar="LENGTH", help="kept free all round (default: 3 m)")
    command.add_argument("--no-room", action="store_true",
                         help="leave out the room in the best run, which takes some seconds to compute")

    def run(asked: argparse.Namespace) -> None:
        from cli.lengths import length_m
        from cli.setout import write_sheet
        write_sheet(asked.vehicle, asked.course, asked.out, baseline=asked.baseline, tape_m=length_m(asked.tape),
                    margin_m=length_m(asked.margin), with_room=not asked.no_room)
    command.set_defaults(run=run)


def _check_yard(commands: Any) -> None:
    command = commands.add_parser("check-yard", help="check from the air where the marks stand, before anyone drives",
                                  description="From a photo or a clip of some seconds from above, the yard without "
                                  "the vehicle: each mark's error, and how to move it.")
    command.add_argument("picture", type=Path, metavar="CLIP_OR_PHOTO")
    command.add_argument("--course", type=Path, required=True, metavar="C.toml", help="the course as planned")
    command.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where to write the report")
    command.add_argument("--vehicle", type=Path, metavar="V.toml", help="also say whether this vehicle has room")
    command.add_argument("--lens", type=Path, metavar="L.toml", help="a calibrated lens (default: estimated)")
    command.add_argument("--marks", type=Path, metavar="marks.csv", help="marks picked by hand: name,u_px,v_px")
    command.add_argument("--tolerance", default="10 cm", metavar="LENGTH",
                         help="as far as a mark may be off (default: 10 cm)")
    command.add_argument("--no-room", action="store_true", help="leave out the room in the best run (quicker)")

    def run(asked: argparse.Namespace) -> None:
        from cli.check_yard import check_yard
        from cli.lengths import length_m
        check_yard(asked.picture, asked.course, asked.out, vehicle_file=asked.vehicle, lens_file=asked.lens,
                   marks_file=asked.marks, tolerance_m=length_m(asked.tolerance), with_room=not asked.no_room)
    command.set_defaults(run=run)


def _feasible(commands: Any) -> None:
    command = commands.add_parser("feasible", help="can this vehicle do the exercise here, with how much room",
                                  description="From the best place at the forward pair: in one reverse, or with one or "
                                  "two shunts, and how much stays free at the tightest place. Takes some seconds.")
    command.add_argument("--vehicle", type=Path, required=True, metavar="V.toml")
    command.add_argument("--course", type=Path, required=True, metavar="C.toml")
    command.add_argument("-o", "--out", type=Path, metavar="PICTURE", help="also draw the run (.svg or .png)")

    def run(asked: argparse.Namespace) -> None:
        from cli.feasible import write_feasible
        write_feasible(asked.vehicle, asked.course, asked.out)
    command.set_defaults(run=run)


def _rules(commands: Any) -> None:
    command = commands.add_parser("rules", help="list the rule sets, or copy one to make your own of",
                                  description="A rule set is a file that says what is a fault, how many shunts, which "
                                  "tolerances, and points if there are any. Copy one and tighten it.")
    command.add_argument("name", nargs="?", metavar="NAME", help="the rule set to copy (default: list them all)")
    command.add_argument("-o", "--out", type=Path, metavar="R.toml", help="default: NAME.rules.toml")

    def run(asked: argparse.Namespace) -> None:
        from cli.rule_sets import copy_rules, rule_sets_text
        if asked.name is None:
            print(rule_sets_text())
        else:
            copy_rules(asked.name, asked.out or Path(f"{asked.name}.rules.toml"))
    command.set_defaults(run=run)


def _lens(commands: Any) -> None:
    command = commands.add_parser("lens", help="calibrate a lens from a chessboard",
                                  description="Calibrates the camera's lens from pictures, or one clip, of a flat "
                                  "chessboard held at different slants and places.")
    command.add_argument("pictures", nargs="+", type=Path, metavar="PICTURE_OR_CLIP")
    command.add_argument("--corners", nargs=2, type=int, default=(9, 6), metavar=("ALONG", "ACROSS"),
                         help="the board's inner corners (default: 9 6)")
    command.add_argument("-o", "--out", type=Path, required=True, metavar="L.toml")

    def run(asked: argparse.Namespace) -> None:
        from cli.lens import write_lens
        if min(asked.corners) < 3 or max(asked.corners) > 40:
            raise Trouble(f"{asked.corners[0]} by {asked.corners[1]} is no chessboard", where="--corners",
                          remedy="count the corners where four squares meet: 3 to 40 each way")
        write_lens(asked.pictures, asked.out, (asked.corners[0], asked.corners[1]))
    command.set_defaults(run=run)


def _vehicle(commands: Any) -> None:
    command = commands.add_parser("vehicle", help="list the generic vehicles, copy one, draw one, or tell its figures")
    command.add_argument("name", nargs="?", metavar="NAME", help="a generic vehicle to copy (default: list them all); "
                         "with --figures or --drawing also a vehicle file")
    command.add_argument("-o", "--out", type=Path, metavar="V.toml",
                         help="the file to write (default: NAME.vehicle.toml)")
    command.add_argument("--figures", action="store_true", help="turning radii, swept width, tail swing, and checks")
    command.add_argument("--drawing", type=Path, metavar="V.svg", help="write a drawing with all sizes labelled")

    def run(asked: argparse.Namespace) -> None:
        from cli.vehicles import copy_vehicle, figures_text, generic_names, vehicle_of, write_drawing
        if asked.name is None:
            print("\n".join(generic_names()))
        elif asked.figures or asked.drawing:
            if asked.figures:
                print(figures_text(vehicle_of(asked.name)))
            if asked.drawing:
                write_drawing(asked.name, asked.drawing)
        else:
            copy_vehicle(asked.name, asked.out or Path(f"{asked.name}.vehicle.toml"))
    command.set_defaults(run=run)


def _serve(commands: Any) -> None:
    command = commands.add_parser("serve", help="open the local app in the browser",
                                  description="Serves the app to this machine's own browser only, unless --network "
                                  "is given.")
    command.add_argument("--folder", type=Path, default=Path("~/tailtrace"), metavar="FOLDER",
                         help="where clips, set-up and attempts are kept (default: ~/tailtrace)")
    command.add_argument("--port", type=int, default=8350)
    command.add_argument("--network", metavar="ADDRESS",
                         help="also serve on the network, at this address of this machine; asks for a passphrase "
                         "(or takes it from TAILTRACE_PASSPHRASE)")
    command.add_argument("--no-browser", action="store_true", help="do not open the browser")
    command.add_argument("--launcher", type=Path, metavar="FOLDER",
                         help="only write a file into FOLDER (say, your desktop) that opens the app on a double click")

    def run(asked: argparse.Namespace) -> None:
        if asked.launcher:
            from cli.app.launcher import write_launcher
            write_launcher(asked.launcher)
            return
        from cli.app.server import serve
        serve(asked.folder, port=asked.port, network=asked.network, open_browser=not asked.no_browser)
    command.set_defaults(run=run)


def _verify(commands: Any) -> None:
    command = commands.add_parser("verify", help="check that results are as they were written, and can be made again",
                                  description="Compares the files of attempts with the checksums taken when they were "
                                  "made, and says what has changed since: clip, vehicle, course, rules, program. Of a "
                                  "library, all attempts, and the chain of its proofs of erasure.")
    command.add_argument("folders", nargs="+", type=Path, metavar="ATTEMPT_OR_LIBRARY")
    command.add_argument("--again", action="store_true",
                         help="also analyse each clip again, and compare the result to the last bit")

    def run(asked: argparse.Namespace) -> None:
        from cli.verify import verify_all
        verify_all(asked.folders, again_too=asked.again)
    command.set_defaults(run=run)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns 0 with a result, 2 after one line of advice, 130 when interrupted, 1 on a defect."""
    try:
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGTERM, signal.default_int_handler)  # so that half-written files are cleared away
        given = list(sys.argv[1:] if argv is None else argv)
        for name in given:
            check_text(name)
        asked = parser().parse_args(given)
        asked.run(asked)
        return OK
    except Trouble as e:
        print(f"tailtrace: {e.one_line()}", file=sys.stderr)
        return TROUBLE
    except OSError as e:
        if not is_of_the_disk(e):
            return _defect()
        print(f"tailtrace: {disk_trouble(e).one_line()}", file=sys.stderr)
        return TROUBLE
    except KeyboardInterrupt:
        print("tailtrace: interrupted; an earlier result in the folder is unchanged", file=sys.stderr)
        return INTERRUPTED
    except Exception:
        return _defect()


def _defect() -> int:
    try:
        told = f"what happened is written in {_log()}"
    except OSError:
        told = "what happened could not be written down: is the disk full?"
    print(f"tailtrace: sorry, this is a defect of the program; {told}", file=sys.stderr)
    return DEFECT


def _log() -> Path:
    """Write the current exception's traceback to a file of its own."""
    with tempfile.NamedTemporaryFile("w", prefix=f"tailtrace-{time.strftime('%Y%m%d-%H%M%S')}-", suffix=".log",
                                     delete=False, encoding="utf-8") as f:
        traceback.print_exc(file=f)
    return Path(f.name)


if __name__ == "__main__":
    sys.exit(main())
