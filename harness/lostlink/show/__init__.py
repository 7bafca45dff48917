"""Everything that the terminal shows."""

from lostlink.show.console import console, moving
from lostlink.show.ports import ports
from lostlink.show.run import run
from lostlink.show.suite import suite_progress, verdicts

__all__ = ["console", "moving", "ports", "run", "suite_progress", "verdicts"]
