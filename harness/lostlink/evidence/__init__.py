"""The evidence of a run: written, read and compared here only.

``document`` is ``verdicts.json``; ``schemas`` the layouts of JSON files; ``folder`` the folder on disk; ``reader``
reads one; ``summary`` is Markdown; ``run_writer`` and ``run_reader`` the run that decided a requirement;
``comparison`` two folders; ``timeline`` and ``exports`` a run as text, CSV and VCD.
"""

__all__ = [
    "comparison", "document", "exports", "folder", "reader", "run_reader", "run_writer", "schemas", "summary",
    "timeline",
]  # fmt: skip
