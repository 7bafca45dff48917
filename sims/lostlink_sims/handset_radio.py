"""The radio of a handset: what it takes, when it is busy, and what it has forgotten."""

from __future__ import annotations

from bisect import bisect_right
from typing import Any, Final, Protocol

from lostlink_sims.clock import FAR_US
from lostlink_sims.handset import dead_spans, spans_of
from lostlink_sims.handset_program import Sent
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES, Profile, air_time_us
from lostlink_sims.scenario import HandsetOff, Scenario

REFUSAL_US: Final = 50
"""Time until the program knows that the radio did not take its payload: a transfer of some bytes."""

Packet = tuple[int, bytes, bool]
"""When it leaves, its payload, and whether it goes to another address than the receiver's."""


class _Program(Protocol):
    """A program that hands a payload over at an instant, and gets the result later."""

    now_us: int

    def add_result(self, result: Sent, at_us: int) -> None: ...


class HandsetRadio:
    """The radio of a handset in one scenario.

    Attributes
    ----------
    sends_for_us : list of int
        Time to send a payload, by its bytes.
    own_address, address : bytes or None
        The receiver's, as the profile declares it, and the one that the radio is set up for.
    free_us : int
        When it has sent its last payload.
    last : (int, bytes, bool) or None
        The last packet since the program began.
    outcome : (Sent, int)
        What became of that packet, and when it is known.
    """

    def __init__(self, profile: Profile, scenario: Scenario) -> None:
        radio = profile.radio
        self.sends_for_us = [radio.settle_us + air_time_us(radio, size) for size in range(PAYLOAD_LIMIT_BYTES + 1)]
        self.address_bytes = radio.address_bytes
        self.own_address = profile.handset.own_address
        self.address: bytes | None = None
        self.free_us = 0
        self.last: Packet | None = None
        self.outcome = Sent.OUT, 0
        self._dead = dead_spans(scenario)
        off_us = [at_us for at_us, _ in spans_of(HandsetOff, scenario)]
        self._forgets_us = sorted([*off_us, *(at_us for at_us, _ in self._dead)])[::-1]  # the next is the last
        self._changes_us = sorted({*self._forgets_us, *(at_us for span in self._dead for at_us in span)})

    def next_change_us(self, now_us: int) -> int:
        """Return when it next dies, answers again or forgets its registers; `FAR_US` for never."""
        following = bisect_right(self._changes_us, now_us)
        return self._changes_us[following] if following < len(self._changes_us) else FAR_US

    def answers(self, now_us: int) -> bool:
        """Return whether it answers; what it forgets until now, it has forgotten."""
        while self._forgets_us and self._forgets_us[-1] <= now_us:
            self._forgets_us.pop()
            self.address = None
        return not (self._dead and until_of(self._dead, now_us))

    def is_dead(self, now_us: int) -> bool:
        """Return whether the radio does not answer, or is not set up."""
        answers = self.answers(now_us)
        return not answers or (self.own_address is not None and self.address is None)

    def set_up(self, address: Any, now_us: int) -> None:
        """Set the radio up for an address; a dead one does not take it."""
        size = self.address_bytes
        if not isinstance(address, bytes | bytearray):
            raise TypeError(f"an address is {type(address).__name__}; allowed: bytes, or None")
        if len(address) != size:
            raise self.wrong_address(len(address))
        if self.answers(now_us):
            self.address = bytes(address)

    def wrong_address(self, size: int) -> ValueError:
        """Return the error of an address of a wrong length."""
        return ValueError(f"an address of {size} bytes; allowed: {self.address_bytes} (radio.address_bytes)")

    def hand_over(self, program: _Program, payload: Any, is_busy: bool) -> Packet | None:
        """Give a payload to the radio; return the packet, None where it refuses it: dead, busy, or still sending."""
        if type(payload) is not bytes and not isinstance(payload, bytes | bytearray):
            raise TypeError(f"a payload is {type(payload).__name__}; allowed: bytes, or None")
        size = len(payload)
        if not 1 <= size <= PAYLOAD_LIMIT_BYTES:
            raise ValueError(f"a payload of {size} bytes; allowed: 1 to {PAYLOAD_LIMIT_BYTES}")
        now_us = program.now_us
        if self.is_dead(now_us):
            program.add_result(Sent.DEAD, now_us + REFUSAL_US)
            return None
        if now_us < self.free_us or is_busy:
            program.add_result(Sent.BUSY, now_us + REFUSAL_US)
            return None
        sent = self.send(now_us, bytes(payload), self.address != self.own_address)
        self.outcome = Sent.OUT, self.free_us
        return sent

    def send(self, now_us: int, payload: bytes, elsewhere: bool) -> Packet:
        """Send a payload."""
        self.free_us = now_us + self.sends_for_us[len(payload)]
        self.last = sent = now_us, payload, elsewhere
        return sent

    def report(self, at_us: int, answered: bool) -> None:
        """Take note what became of the last packet."""
        self.outcome = Sent.ANSWERED if answered else Sent.GIVEN_UP, at_us
        self.free_us = max(self.free_us, at_us)


def until_of(spans: list[tuple[int, int]], now_us: int) -> int:
    """Return the latest end of the spans that an instant is in; 0 if it is in none."""
    return max((until_us for from_us, until_us in spans if from_us <= now_us < until_us), default=0)
