"""Runs the slow tests, one part after the other, with a line for each; see ``ci/long``."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[1]
PARTS = {
    "all tests, full numbers": [
        sys.executable, "-m", "pytest", "-q", "-n", os.environ.get("LOSTLINK_WORKERS", "auto"), "--dist", "worksteal",
        "--long", "-o", "faulthandler_timeout=1800", *sys.argv[1:],
    ],
    "compiled board, each end of a run": [
        sys.executable, "-m", "pytest", "-q", "-s", "-p", "no:xdist", "--long", "tests/board/test_session_ends.py",
    ],
    "compiled board, every mistake": ["ci/bench"],
    "emulated board, every mistake": ["ci/emulated", "--all"],
}  # fmt: skip


def main() -> int:
    """Run all parts; return 1 if one failed."""
    failed = 0
    for name, command in PARTS.items():
        since_s = time.monotonic()
        code = subprocess.run(command, cwd=ROOT, check=False).returncode
        failed += bool(code)
        print(f"{'X' if code else '+'} {name:<34} {time.monotonic() - since_s:6.0f} s", flush=True)  # noqa: T201
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
