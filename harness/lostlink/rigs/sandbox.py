"""Starts a program that ends with its parent and, on systems with Landlock, can open only the files given to it.

Run as a script: `python -I -S sandbox.py PARENT N RULES PROGRAM ...`, where each of the N rules is two words (`words`);
without a rule nothing is restricted. It runs once for each emulator, so it imports little. The constants are those of
``linux/landlock.h``.
"""

from __future__ import annotations

import ctypes
import os
import struct
import sys

_CREATE_RULESET, _ADD_RULE, _RESTRICT_SELF = 444, 445, 446
_VERSION_ONLY = 1
_PATH_BENEATH = 1
_NO_NEW_PRIVS, _PDEATHSIG, _SIGKILL = 38, 1, 9
_EXECUTE, _WRITE_FILE, _READ_FILE, _READ_DIR = 1, 2, 4, 8
_FILE_RIGHTS = {1: 13, 2: 14, 3: 15, 4: 15}
"""Number of file access rights by version; later versions have 16."""
_READ, _READ_WRITE = "read", "read and write"


def landlock_version() -> int:
    """Return the version of Landlock of this system; 0 if it has none."""
    if sys.platform != "linux":
        return 0
    return max(0, int(ctypes.CDLL(None).syscall(_CREATE_RULESET, None, 0, _VERSION_ONLY)))


def rules(program: str, image: str, folder: str | None) -> dict[str, str]:
    """Return the paths that an emulator may open, with their access; `folder` contains its pipes."""
    prefix = os.path.dirname(os.path.dirname(os.path.realpath(program)))
    system = ["/lib", "/lib64", "/usr/lib", "/usr/lib64", "/usr/local/lib", "/nix/store", "/etc/ld.so.cache"]
    readable = [program, image, *system, *(os.path.join(prefix, name) for name in ("lib", "lib64", "share/qemu"))]
    return dict.fromkeys(readable, _READ) | ({folder: _READ_WRITE} if folder is not None else {})


def words(allowed: dict[str, str]) -> list[str]:
    """Return the arguments of the script that stand for rules."""
    return [str(len(allowed)), *(word for rule in allowed.items() for word in rule)]


def _restrict(allowed: dict[str, str]) -> None:
    """Restrict this process, and the programs that it executes, to the allowed files, without network.

    Raises
    ------
    OSError
        If the system rejects a rule.
    """
    version = landlock_version()
    system = ctypes.CDLL(None, use_errno=True)

    def call(number: int, *arguments: object) -> int:
        result = int(system.syscall(number, *arguments))
        if result < 0:
            raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
        return result

    files = (1 << _FILE_RIGHTS.get(version, 16)) - 1
    wanted = struct.pack("QQQ", files, 3 if version >= 4 else 0, 3 if version >= 6 else 0)  # files, TCP, scopes
    wanted = wanted[: 24 if version >= 6 else 16 if version >= 4 else 8]
    ruleset = call(_CREATE_RULESET, wanted, len(wanted), 0)
    for path, access in allowed.items():
        if not os.path.exists(path):
            continue
        rights = _READ_FILE | (_WRITE_FILE if access == _READ_WRITE else _EXECUTE)
        if os.path.isdir(path) and access == _READ:
            rights |= _READ_DIR
        handle = os.open(path, os.O_PATH | os.O_CLOEXEC)
        call(_ADD_RULE, ruleset, _PATH_BENEATH, struct.pack("=Qi", rights, handle), 0)
        os.close(handle)
    if system.prctl(_NO_NEW_PRIVS, 1, 0, 0, 0):
        raise OSError(ctypes.get_errno(), "no new privileges")
    call(_RESTRICT_SELF, ruleset, 0)
    os.close(ruleset)


def _main() -> None:
    parent, count, *rest = sys.argv[1:]
    paths, command = rest[: 2 * int(count)], rest[2 * int(count) :]
    allowed = dict(zip(paths[0::2], paths[1::2], strict=True))
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PDEATHSIG, _SIGKILL)
        if os.getppid() != int(parent):
            sys.exit(1)
    if allowed:
        try:
            _restrict(allowed)
        except OSError as error:
            sys.exit(f"the sandbox cannot be set up: {error}")
    os.execv(command[0], command)


if __name__ == "__main__":
    _main()
