"""What a real board needs: serial line, protocol, clocks, pacing. Requirements and verdicts are elsewhere.

::

    line.py      any serial port or URL: bytes and the instants at which they came
    codec.py     messages of the bench protocol to bytes and back; no port, no clock
    clocks.py    the board's clock against the host's, from exchanges of pings
    board.py     a board that speaks the protocol: handshake, pings, its reports
    pacer.py     simulated time in step with the host's
    ports.py     the serial ports, and what answers on each
"""

__all__ = ["board", "clocks", "codec", "line", "pacer", "ports"]
