"""The evidence folder as one page that opens anywhere: ``report.html``.

::

    evidence.reader ─► rows ─► first_screen, timelines, attempts, distributions ─► page ─► report.html
    figures (charts, by Bokeh), palette, style.css, viewer.js ──────────────────────┘

A report is made from its folder alone, and can be made again. Other kinds of evidence add sections: a function that
takes the evidence and returns `page.Section` objects, named in ``write.SECTIONS``.
"""

from lostlink.report.write import write_report

__all__ = ["write_report"]
