"""`python tests/dependency_audit.py`: are weaknesses known of what the program is installed with? In `make check`.

pip-audit asks the package index. Where that cannot be reached, or does not know the packages, nothing is known, which
is said and is no failure: the check must not depend on a network. A known weakness is one.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from typing import Any

LONGEST_S = 90.0
COMMAND = (sys.executable, "-m", "pip_audit", "--local", "--skip-editable", "--progress-spinner", "off", "--format",
           "json", "--timeout", "5")
NOT_OURS = ("pip",)  # what installs: each environment brings its own


def found() -> Mapping[str, Any] | str:
    """What pip-audit says, or why it says nothing."""
    try:
        ran = subprocess.run(COMMAND, capture_output=True, text=True, timeout=LONGEST_S, check=False)
        return json.loads(ran.stdout)
    except subprocess.TimeoutExpired:
        return f"no answer within {LONGEST_S:.0f} s"
    except ValueError:
        return (ran.stderr.strip().splitlines() or ["pip-audit said nothing"])[-1][:200]


def told(audit: Mapping[str, Any] | str) -> tuple[int, list[str]]:
    """The exit status and the lines to print."""
    if isinstance(audit, str):
        return 0, [f"dependencies: NOT AUDITED ({audit})"]
    ours = [d for d in audit["dependencies"] if d["name"] not in NOT_OURS]
    asked, skipped = ([d for d in ours if ("skip_reason" in d) == s] for s in (False, True))
    if not asked:
        return 0, [f"dependencies: NOT AUDITED (the package index knows none of {len(skipped)})"]
    weak = [f"  {d['name']} {d['version']}: {v['id']}, mended in {', '.join(v['fix_versions']) or 'no version yet'}"
            for d in asked for v in d["vulns"]]
    more = [f"  NOT AUDITED: {', '.join(d['name'] for d in skipped)}"] if skipped else []
    what = f"{len(weak)} known weaknesses" if weak else "no known weakness"
    return int(bool(weak)), [f"dependencies: {len(asked)} audited, {what}", *weak, *more]


def main() -> int:
    status, lines = told(found())
    print("\n".join(lines))
    return status


if __name__ == "__main__":
    sys.exit(main())
