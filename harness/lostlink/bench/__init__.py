"""Communication with a real board: serial line, protocol, clocks, pacing.

::

    line.py      a serial port or URL: bytes with their arrival times
    codec.py     encodes and decodes the messages of the bench protocol; no port, no clock
    clocks.py    the board's clock relative to the host's, from pings
    board.py     a board that speaks the protocol: handshake, pings, reports
    ahead.py     packets and orders that are sent ahead, with instants of the board's clock
    pacer.py     paces simulated time by the host's clock
    ports.py     the serial ports, and what answers on each
"""

__all__ = ["ahead", "board", "clocks", "codec", "line", "pacer", "ports"]
