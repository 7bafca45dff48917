"""Listening to an unmodified board that prints its channel values as text: live table, failsafe test by hand.

::

    columns.py        text columns of channel values to rows; no port, no clock
    units.py          range, centre and pulse width of a value
    column_stats.py   lowest, highest, last change, flat ends of each channel
    advice.py         which way to trim, whether the ends are reached
    stick_scale.py    what the numbers of a handset's stick mean
    stick_stats.py    rests, ends of the travel, rails and jumps of a handset's sticks
    stick_advice.py   trim, ends and wires of a handset's sticks, in words
    profile_lines.py  travel and centre of a handset's sticks as lines for a profile
    table.py          rows as columns of numpy arrays
    freeze.py         analysis of the rows after the handset goes off; pure
    judging.py        verdicts from that analysis; pure
    procedure.py      the steps of the failsafe test
    listener.py       a serial line, row by row
    evidence_files.py rows, attempts and summary of the test
"""

__all__ = [
    "advice", "column_stats", "columns", "evidence_files", "freeze", "judging", "listener", "procedure",
    "profile_lines", "stick_advice", "stick_scale", "stick_stats", "table", "units",
]  # fmt: skip
