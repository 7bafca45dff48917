"""Everything that the terminal shows, a module a command; what all share is in `console`."""

__all__: list[str] = []
