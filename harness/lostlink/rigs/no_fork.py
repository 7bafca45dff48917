"""Lets a process start threads but no other process, on Linux.

The constants are those of ``linux/seccomp.h``, ``linux/filter.h``, ``linux/audit.h`` and the kernel's tables of system
calls. The filter compares the number of each system call, and for ``clone`` its flags.
"""

from __future__ import annotations

import ctypes
import errno
import platform
import struct
import sys
from typing import Final

_NO_NEW_PRIVS: Final = 38  # prctl(2)
_SET_SECCOMP, _MODE_FILTER = 22, 2
_ALLOW, _KILL, _ERROR = 0x7FFF0000, 0x80000000, 0x00050000
_LOAD, _EQUAL, _ANY_BIT, _RETURN = 0x20, 0x15, 0x45, 0x06
_NUMBER_AT, _ARCHITECTURE_AT, _FLAGS_AT = 0, 4, 16  # in struct seccomp_data; the low half of the first argument
_CLONE_THREAD: Final = 0x10000
_CLONE3: Final = 435
_MACHINES: Final = {"x86_64": (0xC000003E, 56, (57, 58)), "aarch64": (0xC00000B7, 220, ())}
"""By machine: its architecture, the number of ``clone``, and those of ``fork`` and ``vfork``."""


def forbid_processes() -> bool:
    """End this process (SIGSYS) when it starts another; return whether the system can do that.

    It cannot be undone. ``clone3``, whose flags are in memory, fails as on a system without it; libraries use ``clone``
    then.
    """
    if sys.platform != "linux" or platform.machine() not in _MACHINES:
        return False
    architecture, clone, forks = _MACHINES[platform.machine()]
    steps = [(_LOAD, 0, 0, _ARCHITECTURE_AT), (_EQUAL, 1, 0, architecture), (_RETURN, 0, 0, _ALLOW)]
    steps += [(_LOAD, 0, 0, _NUMBER_AT)]
    for fork in forks:
        steps += [(_EQUAL, 0, 1, fork), (_RETURN, 0, 0, _KILL)]
    steps += [(_EQUAL, 0, 1, _CLONE3), (_RETURN, 0, 0, _ERROR | errno.ENOSYS)]
    steps += [(_EQUAL, 0, 3, clone), (_LOAD, 0, 0, _FLAGS_AT), (_ANY_BIT, 1, 0, _CLONE_THREAD), (_RETURN, 0, 0, _KILL)]
    steps += [(_RETURN, 0, 0, _ALLOW)]
    program = ctypes.create_string_buffer(b"".join(struct.pack("=HBBI", *step) for step in steps))
    pointer = struct.pack("@HP", len(steps), ctypes.addressof(program))
    system = ctypes.CDLL(None)
    if system.prctl(_NO_NEW_PRIVS, 1, 0, 0, 0):
        return False
    return not system.prctl(_SET_SECCOMP, _MODE_FILTER, pointer, 0, 0)
