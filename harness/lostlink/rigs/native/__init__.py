"""Compiled firmware without Python between its calls: a driver in C, built by the user's compiler.

`driver.c` is the receiver's hardware around the program, `handset_driver.c` the handset's. `compiler` builds both,
`structure` is their interface, `board` the receiver board and `handset` the handset's program that use them. Without a
compiler `lostlink_sims` calls the programs, with the same results.
"""

from lostlink.rigs.native.board import CompiledBoard
from lostlink.rigs.native.compiler import compiled_driver, known_driver, provide
from lostlink.rigs.native.handset import driven_factory
from lostlink.rigs.native.structure import Driver

__all__ = ["CompiledBoard", "Driver", "compiled_driver", "driven_factory", "known_driver", "provide"]
