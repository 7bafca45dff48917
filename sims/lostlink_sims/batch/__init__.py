"""Many trials of one flight side by side, equal to the event simulation to the microsecond.

``trials`` (what differs from trial to trial) → ``losses`` (packets lost, as bits) → ``engine`` (the reference receiver)
→ ``frames`` (pulses, motors); ``bits``: 64 slots a word.
"""

__all__ = ["bits", "engine", "frames", "losses", "trials"]
