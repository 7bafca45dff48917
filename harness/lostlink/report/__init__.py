"""The evidence folder as one page that opens anywhere: ``report.html``.

::

    evidence.reader ─► rows ─► first_screen, timelines, attempts, distributions ─► page ─► report.html
    figures (charts, by Bokeh), palette, style.css, viewer.js ──────────────────────┘

A report is made from its folder alone, at any time. Other kinds of evidence add sections: a function in
``write.SECTIONS`` that takes the evidence and returns `page.Section` objects.
"""

from lostlink.report.write import complete, write_report

__all__ = ["complete", "write_report"]
