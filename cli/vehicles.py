"""The generic vehicles that ship with the program: a list of them, and a copy to start one's own file from."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from analysis.trouble import Trouble
from cli.files import write_new

_ENDING = ".vehicle.toml"


def generic_names() -> list[str]:
    """Names of the shipped vehicles, in alphabetical order."""
    data = resources.files("cli") / "data"
    return sorted(f.name.removesuffix(_ENDING) for f in data.iterdir() if f.name.endswith(_ENDING))


def copy_vehicle(name: str, out: Path) -> None:
    """Write a shipped vehicle's file as it is, with its sources; never over an existing file."""
    if name not in generic_names():
        raise Trouble(f"there is no generic vehicle '{name}'", where="vehicle",
                      remedy="allowed: " + ", ".join(generic_names()))
    text = (resources.files("cli") / "data" / f"{name}{_ENDING}").read_text("utf-8")
    write_new(out, text)
