"""The audit of dependencies is never green in silence."""

from __future__ import annotations

import sys

import dependency_audit
import pytest
from dependency_audit import found, told


def test_what_is_not_known_is_said() -> None:
    assert told("no answer within 90 s") == (0, ["dependencies: NOT AUDITED (no answer within 90 s)"])
    nothing = {"dependencies": [{"name": "numpy", "skip_reason": "not found"}]}
    assert told(nothing) == (0, ["dependencies: NOT AUDITED (the package index knows none of 1)"])


def test_a_known_weakness_is_a_failure() -> None:
    status, lines = told({"dependencies": [
        {"name": "numpy", "version": "2.0.0", "vulns": []}, {"name": "local", "skip_reason": "not found"},
        {"name": "pip", "version": "1.0", "vulns": [{"id": "X-0", "fix_versions": ["2.0"]}]},
        {"name": "jinja2", "version": "3.0.0", "vulns": [{"id": "X-1", "fix_versions": ["3.1.0"]}]}]})
    assert status == 1
    assert lines == ["dependencies: 2 audited, 1 known weaknesses", "  jinja2 3.0.0: X-1, mended in 3.1.0",
                     "  NOT AUDITED: local"]
    assert told({"dependencies": [{"name": "numpy", "version": "2.0.0", "vulns": []}]}) == (
        0, ["dependencies: 1 audited, no known weakness"])


@pytest.mark.parametrize(("code", "said"), [("import sys; sys.exit('no network')", "no network"),
                                            ("import time; time.sleep(30)", "no answer within"),
                                            ("print('{')", "pip-audit said nothing")])
def test_a_failing_audit_says_why(code: str, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dependency_audit, "COMMAND", (sys.executable, "-c", code))
    monkeypatch.setattr(dependency_audit, "LONGEST_S", 1.0)
    assert said in str(found())
