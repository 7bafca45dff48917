"""Listening to an unmodified board that prints its channel values as text: live table, failsafe test by hand.

::

    columns.py        text columns of channel values to rows; no port, no clock
    units.py          range, centre and pulse width of a value
    column_stats.py   lowest, highest, last change, flat ends of each channel
    advice.py         which way to trim, whether the ends are reached
    table.py          rows as columns of numpy arrays
    freeze.py         analysis of the rows after the handset goes off; pure
    judging.py        verdicts from that analysis; pure
    procedure.py      the steps of the failsafe test
    listener.py       a serial line, row by row
    evidence_files.py rows, attempts and summary of the test
"""

__all__ = [
    "advice", "column_stats", "columns", "evidence_files", "freeze", "judging", "listener", "procedure", "table",
    "units",
]  # fmt: skip
