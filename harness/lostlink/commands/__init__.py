"""One thin module a command: parse, call, show, exit code. `lostlink.cli` imports a module when its command is used.

Each has the click command as `command`. What several need is in `shared`: options, confirmation, output files.
"""

__all__: list[str] = []
