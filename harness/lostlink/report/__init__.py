"""The evidence folder as one page that opens anywhere: ``report.html``.

::

    judge ─► keep (runs/ID.json) ─► rundata ─► timelines ─┐
    verdicts.json ─► documents ─► first_screen ───────────┴─► page ─► report.html
                     figures (charts, by Bokeh), palette, style.css, viewer.js ─┘

A report is made from its folder alone, and can be made again. Other kinds of evidence add sections: a function that
looks at the folder and returns `page.Section` objects, named in ``write.SECTIONS``.
"""

from __future__ import annotations

from pathlib import Path

__all__ = ["write_report"]


def write_report(folder: Path) -> Path:
    """Write ``report.html`` into an evidence folder, from what the folder holds, and return its path.

    Raises
    ------
    EvidenceError
        If the folder holds no evidence that can be read.
    """
    from lostlink.report.write import write_report as write  # imports more than the judge, who only keeps runs, needs

    return write(folder)
