"""The numbers that measuring and judging rest on, each with its reason: read from the source, written as one list.

`python tests/constants.py` in the checkout writes the list anew.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
LIST = ROOT / "vision" / "CONSTANTS.md"
PACKAGES = ("vision", "analysis")

HEAD = """# The numbers that measuring and judging rest on

Made from the source by `python tests/constants.py`; a test holds it to the source, and refuses a number without a
reason. Lengths are on the ground unless it is said otherwise; what ends in `_PX` is in pixels of whatever picture there
is, and stands for its blur or noise, never for the size of something in the yard.
"""


@dataclass(frozen=True)
class Constant:
    """A module-level number (or a few): the module's path, the name or names, the value as written, and the reason:
    the docstring below it or the comment beside or above it, '' where there is none."""

    module: str
    name: str
    value: str
    reason: str


def constants() -> list[Constant]:
    """All of them, by module."""
    return [c for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py")) for c in constants_of(path)]


def constants_of(path: Path) -> list[Constant]:
    source = path.read_text("utf-8")
    lines, body = source.splitlines(), ast.parse(source).body
    module = str(path.relative_to(ROOT))
    out = []
    for node, after in zip(body, [*body[1:], None], strict=True):
        if not isinstance(node, ast.Assign) or not _is_number(node.value):
            continue
        names = [n.id for t in node.targets for n in ast.walk(t) if isinstance(n, ast.Name)]
        if not names or not all(n.strip("_").isupper() for n in names) or _enumerates(node.value):
            continue
        out.append(Constant(module, ", ".join(names), ast.unparse(node.value), _reason(lines, node, after)))
    return out


def _is_number(value: ast.expr) -> bool:
    """Whether an expression is made of numbers only (with arithmetic, functions of mathematics, names)."""
    numbers = [n for n in ast.walk(value) if isinstance(n, ast.Constant) and isinstance(n.value, int | float)
               and not isinstance(n.value, bool)]
    keys = {id(k) for n in ast.walk(value) if isinstance(n, ast.Dict) for k in n.keys}
    words = [n for n in ast.walk(value) if isinstance(n, ast.Constant) and not isinstance(n.value, int | float)
             and id(n) not in keys]
    made = (ast.Constant, ast.Tuple, ast.List, ast.Dict, ast.UnaryOp, ast.BinOp, ast.Call)
    return bool(numbers) and not words and isinstance(value, made) and not _calls_class(value)


def _calls_class(value: ast.expr) -> bool:
    """A record's fields have names of their own, which say what they are."""
    return any(isinstance(n, ast.Call) and isinstance(n.func, ast.Name) and n.func.id.lstrip("_")[:1].isupper()
               for n in ast.walk(value))


def _enumerates(value: ast.expr) -> bool:
    """0, 1, 2, ...: names for places or states, not quantities."""
    if isinstance(value, ast.Call) and isinstance(value.func, ast.Name) and value.func.id == "range":
        return True
    found = [v.value for v in value.elts if isinstance(v, ast.Constant)] if isinstance(value, ast.Tuple) else []
    return len(found) > 1 and found == list(range(len(found)))


def _reason(lines: list[str], node: ast.Assign, after: ast.stmt | None) -> str:
    if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) and isinstance(after.value.value, str):
        return " ".join(after.value.value.split())
    last = lines[(node.end_lineno or node.lineno) - 1]
    if "#" in last:
        return last.split("#", 1)[1].strip()
    above, i = [], node.lineno - 2
    while i >= 0 and lines[i].startswith("#"):
        above.insert(0, lines[i].lstrip("# "))
        i -= 1
    return " ".join(above)


def listed() -> str:
    """The list as written to the file."""
    out, module = [HEAD], ""
    for c in constants():
        if c.module != module:
            module = c.module
            out.append(f"\n## {module}\n\n| name | value | reason |\n| --- | --- | --- |\n")
        out.append(f"| `{c.name}` | `{c.value}` | {c.reason.replace('|', '/')} |\n")
    return "".join(out)


if __name__ == "__main__":
    LIST.write_text(listed(), "utf-8")
