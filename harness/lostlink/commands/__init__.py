"""One module per command: parse, call, show, exit code. `lostlink.cli` imports a module when its command is used.

Each has the click command as `command`. `shared` has common options and the confirmation before hardware is driven.
"""

__all__: list[str] = []
