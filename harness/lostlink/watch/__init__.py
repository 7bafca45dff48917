"""Listening to a board that only prints its channel values, as its maker left it.

::

    scale.py      what the numbers mean: range, middle, pulse width
    gauge.py      what each channel has shown so far: lowest, highest, last change, flat ends
    advice.py     which way to trim, whether the ends are reached, in words
    rows.py       rows as columns of numpy arrays
    freeze.py     from rows to what happened when the handset went off; pure
    results.py    from that to verdicts; pure
    listener.py   a line and its columns, read until an instant
    operator.py   the failsafe test step by step, with a person at the handset
    screen.py     the table, the lines, the result
    evidence.py   the folder
    command.py    the command line
"""
