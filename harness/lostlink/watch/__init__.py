"""Listening to an unmodified board that prints its channel values as text.

`columns` parses the text to rows; `table` has rows as numpy arrays; `units` gives the range and pulse width of a value;
`column_stats` and `advice` follow each channel for the live table. For the failsafe test `procedure` guides the
operator, `freeze` analyses the rows, and `judging` gives verdicts. `listener` reads the port; `evidence_files` is the
output.
"""

__all__: list[str] = []
