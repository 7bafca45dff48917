"""Starts the program: Ctrl-C while it is still loading is one line, too."""

from __future__ import annotations

import os
import sys


def main() -> None:
    """Run the command line."""
    # Nothing here uses numpy's linear algebra, whose threads would take a third of a program's start.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        from lostlink.cli import main as run
    except KeyboardInterrupt:
        sys.stderr.write("lostlink: interrupted\n")
        raise SystemExit(130) from None
    run()


if __name__ == "__main__":
    main()
