"""The rule sets that ship with the program: a list of them, and a copy to tighten for one's own school."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from analysis.trouble import Trouble
from cli.files import RULES_ENDING, read_rules, write_new


def rule_set_names() -> list[str]:
    """Names of the shipped rule sets, in alphabetical order."""
    data = resources.files("cli") / "data"
    return sorted(f.name.removesuffix(RULES_ENDING) for f in data.iterdir() if f.name.endswith(RULES_ENDING))


def rule_sets_text() -> str:
    """One line a shipped rule set: its name, what it says of itself, and its source."""
    found = ((name, read_rules(Path(name))) for name in rule_set_names())
    return "\n".join(f"{name:16s} {rules.name}; source: {rules.source}" for name, rules in found)


def copy_rules(name: str, out: Path) -> None:
    """Write a shipped rule set's file as it is, with its sources and comments; never over an existing file."""
    if name not in rule_set_names():
        raise Trouble(f"there is no rule set '{name}'", where="rules", remedy="allowed: " + ", ".join(rule_set_names()))
    write_new(out, (resources.files("cli") / "data" / f"{name}{RULES_ENDING}").read_text("utf-8"))
