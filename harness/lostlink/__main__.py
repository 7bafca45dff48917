"""Starts the program; Ctrl-C while it is still loading is one line, too."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line."""
    try:
        from lostlink.cli import main as run
    except KeyboardInterrupt:
        sys.stderr.write("lostlink: interrupted\n")
        raise SystemExit(130) from None
    run()


if __name__ == "__main__":
    main()
