"""Many trials of one flight side by side, identical to the event simulation.

``trials`` (what differs between trials) → ``losses`` (packets lost, as bits) → ``engine`` (the reference receiver)
→ ``frames`` (pulses, motors); ``bits``: 64 slots a word.
"""

__all__ = ["bits", "engine", "frames", "losses", "trials"]
