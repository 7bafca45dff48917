"""The bench: ports, the wire protocol of boards, clocks, real-time pacing. No requirement and no verdict lives here.

::

    line.py      any serial port or URL: bytes and the instants at which they came
    codec.py     messages of the bench protocol to bytes and back; no port, no clock
    columns.py   text columns of channel values to rows; no port, no clock
    clocks.py    the board's clock against the host's, from exchanges of pings
    board.py     a board that speaks the protocol: handshake, reset, packets, what it reported
    pacer.py     lets virtual time pass in step with real time
"""
