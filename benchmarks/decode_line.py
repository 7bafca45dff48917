"""How fast the decoder reads a full line of 2 Mbaud, as a ratio to the line's own rate.

    python benchmarks/decode_line.py

A ratio of 2 is a line decoded in half of one core. Frames are those that a board sends: one report of a packet in
five of pulses and states; a part of the bytes is noise, as on a bad cable.
"""

from __future__ import annotations

import random
import time

from goals import Goal

from lostlink.bench import codec

BAUD = 2_000_000
SECONDS = 5
PIECE = 400
"""Bytes that one read of a port gives at that speed, some milliseconds' worth."""


def line(noise: float) -> bytes:
    """Return what comes over the line in some seconds."""
    draw = random.Random(1)
    out = bytearray()
    number = 0
    while len(out) < BAUD // 10 * SECONDS:
        widths = tuple(draw.randrange(1000, 2001) for _ in range(8))
        messages: list[codec.Message] = [codec.Taken(number + k & 0xFF, draw.getrandbits(32)) for k in range(4)]
        messages.append(codec.Frame(draw.getrandbits(32), 300, widths))
        messages.append(codec.Channels(draw.getrandbits(32), widths))
        for message in messages:
            number += 1
            frame = bytearray(codec.encode(message, number))
            if draw.random() < noise:
                frame[draw.randrange(len(frame))] ^= 1 << draw.randrange(8)
            out += frame
    return bytes(out)


def main() -> list[Goal]:
    """Measure and print."""
    for noise in (0.0, 0.05):
        data = line(noise)
        decoder = codec.Decoder()
        begun_s = time.process_time()
        found = sum(len(decoder.feed(data[place : place + PIECE])) for place in range(0, len(data), PIECE))
        spent_s = time.process_time() - begun_s
        ratio = len(data) * 10 / BAUD / spent_s
        print(
            f"{noise:4.0%} of frames damaged: {found} messages, {ratio:.1f} times the line's rate "
            f"({1 / ratio:.0%} of a core at {BAUD / 1e6:g} Mbaud)"
        )
    return []


if __name__ == "__main__":
    main()
