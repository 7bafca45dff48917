"""Compiled firmware without Python between its calls: a driver in C, built by the user's compiler.

`driver.c` is the receiver's hardware around the program. `compiler` builds it, `structure` is its interface, and
`board` the receiver board that uses it. Where there is no compiler, `lostlink_sims.board` calls the program, with the
same results.
"""

from lostlink.rigs.native.board import CompiledBoard
from lostlink.rigs.native.compiler import compiled_driver, known_driver, provide
from lostlink.rigs.native.handset import driven_factory
from lostlink.rigs.native.structure import Driver

__all__ = ["CompiledBoard", "Driver", "compiled_driver", "driven_factory", "known_driver", "provide"]
