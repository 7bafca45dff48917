"""All benchmarks, then a table of their goals: ``python benchmarks``, on a machine that is otherwise idle."""

from __future__ import annotations

import commands
import decode_line
import event_loop
import fit_losses
import many_trials
import own_firmware
import own_process
import read_capture
import scaling
from goals import Goal, table

PARTS = (event_loop, many_trials, scaling, own_firmware, own_process, read_capture, fit_losses, decode_line, commands)


def main() -> None:
    """Run all."""
    goals: list[Goal] = []
    for part in PARTS:
        print(f"--- {part.__name__}")
        goals += part.main()
        print()
    print(table(goals))


if __name__ == "__main__":
    main()
