"""What can go wrong in a timeline: a table of kinds of events, the simplest first, each with its variants on a link.

To add a kind: a row in `_table` with its name, its variants and their effects. Pieces of a timeline are numbers (kind,
variant, duration), so a search that makes numbers smaller makes timelines simpler.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final, cast

from lostlink.hunt.durations import Duration, link_durations
from lostlink.invariants.attribution import unprotected
from lostlink.measure import limits
from lostlink.scenarios import HANDSET_WRAPS, WRAPS, ScenarioBuilder
from lostlink.verdicts import Side
from lostlink_sims import Move, Profile
from lostlink_sims.handset_program import LEAST_MARGIN, idle_rail, tells_break
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES
from lostlink_sims.scenario import (
    AnyFault,
    BatteryFalls,
    BrownOut,
    DamagedPayload,
    FadeRamp,
    FlappingLink,
    ForeignHandset,
    HandsetHung,
    HandsetLoopHung,
    HandsetOff,
    HandsetRadioBusy,
    HandsetRadioDead,
    HandsetRadioForgets,
    HandsetReset,
    InterferenceBurst,
    LastingFault,
    LinkCut,
    MainLoopHung,
    PeriodicInterference,
    ReceiverReset,
    StickWireBroken,
    SwitchBounces,
    WrongAddress,
)
from lostlink_sims.sticks import SWITCH_CODES

Effect = Callable[[int, int], tuple[AnyFault | Move, ...]]
"""From the start and the duration, in microseconds, to the faults and moves of a scenario."""

WAIT: Final = "link good"
"""The kind without a fault: time passes."""
AWAY: Final = "link away"
"""The plain loss of the link."""
STARTS: Final[tuple[int | None, ...]] = (None, 400_000, 200_000, 0)
"""Start of a run: in flight (None), or at power-on with the stick up, the receiver on so many µs before the handset."""
LEADS: Final = (0.5, 0.0, 1.0, -0.5, 0.9, 0.1)
"""When a counter wraps: delay after the start of the first piece, in cut delays."""
REST_LEADS_US: Final = (10_000, 30_000)
"""While contacts that were moved there may have to rest."""
THROTTLES: Final = (1.0, 0.5, 0.35, 0.8)
JUST_UP: Final = 0.08
"""A throttle that is above idle, but not by much."""
HANDSET_PLACES: Final = (0.0, 1.0, 0.37, 0.83, 0.5, JUST_UP)
"""Positions of a stick; between stops and centre no usual default is."""
BOUNCES_US: Final = (10_000, 5_000)


@dataclass(frozen=True, slots=True)
class Variant:
    """A variant of a kind: its text and its effect."""

    text: str
    effect: Effect


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of event.

    Attributes
    ----------
    name : str
    lasts : bool
        Whether it has a duration.
    variants : tuple of Variant
        The simplest first; empty if none applies to the link.
    left_out : str
        Why variants are left out; empty otherwise.
    about : tuple of str
        Requirements about this kind; it is left out if one of them is waived.
    """

    name: str
    lasts: bool
    variants: tuple[Variant, ...]
    left_out: str = ""
    about: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class World:
    """What a timeline on one link can consist of.

    Attributes
    ----------
    profile : Profile
    kinds : tuple of Kind
        Those with variants; `WAIT` is the first.
    durations : tuple of Duration
    left_out : tuple of str
        What is not tried, and why.
    sides : frozenset of Side
        What is under test.
    """

    profile: Profile
    kinds: tuple[Kind, ...]
    durations: tuple[Duration, ...]
    left_out: tuple[str, ...]
    sides: frozenset[Side] = frozenset({Side.RECEIVER})

    @property
    def away(self) -> int | None:
        """Index of the plain loss of the link; None where losses do not matter, for a handset alone."""
        return next((index for index, kind in enumerate(self.kinds) if kind.name == AWAY), None)

    @property
    def starts(self) -> tuple[int | None, ...]:
        """As `STARTS`; the order in which the ends are switched on does not matter for a handset alone."""
        return STARTS if Side.RECEIVER in self.sides else (None, 0)

    @property
    def throttles(self) -> tuple[float, ...]:
        """Positions of the throttle with which a run begins, the simplest first."""
        return (*THROTTLES, JUST_UP) if self.sides == {Side.HANDSET} else THROTTLES

    @property
    def wraps(self) -> tuple[Wrap, ...]:
        """The wraps of the counters of what is under test, the simplest first."""
        leads_us = tuple(round(lead * self.profile.cut_delay_us) for lead in LEADS)
        values: tuple[tuple[int, str], ...] = WRAPS
        if Side.HANDSET in self.sides:
            values, leads_us = HANDSET_WRAPS, (*leads_us, *REST_LEADS_US)
        return tuple(Wrap(value, text, lead_us) for value, text in values for lead_us in leads_us)


@dataclass(frozen=True, slots=True)
class Wrap:
    """A counter passes a critical value.

    Attributes
    ----------
    lead_us : int
        When, after the start of the first piece.
    """

    value: int
    text: str
    lead_us: int


def world(profile: Profile, sides: Collection[Side] = (Side.RECEIVER,)) -> World:
    """Return the kinds, variants and durations for a link and what is under test."""
    kinds, left_out = [], []
    waived = set(profile.requirements.waived)
    for kind in _tables(profile, sides):
        if about_waived := waived.intersection(kind.about):
            left_out.append(f"{kind.name}: {', '.join(sorted(about_waived))} waived by the profile")
            continue
        if kind.left_out:
            left_out.append(f"{kind.name}: {kind.left_out}")
        if kind.variants:
            kinds.append(kind)
    return World(profile, tuple(kinds), link_durations(profile), tuple(left_out), frozenset(sides))


def _tables(profile: Profile, sides: Collection[Side]) -> Iterator[Kind]:
    """Yield every kind, the simplest first; of those that both tables have, the handset's where it is under test."""
    of_handset = list(_handset_table(profile)) if Side.HANDSET in sides else []
    of_receiver = list(_table(profile)) if Side.RECEIVER in sides else []
    own = {kind.name: kind for kind in of_handset}
    yield from (own.get(kind.name, kind) for kind in of_receiver)
    yield from (kind for kind in of_handset if kind.name not in {other.name for other in of_receiver})


def _protected(profile: Profile, variants: Iterable[Variant]) -> tuple[tuple[Variant, ...], str]:
    """Return the variants that a receiver of the link can detect, and why others are left out."""
    kept, why = [], ""
    for variant in variants:
        faults = [fault for fault in variant.effect(0, 1) if not isinstance(fault, Move)]
        reason = next((reason for fault in faults if (reason := unprotected(profile, fault))), None)
        if reason is None:
            kept.append(variant)
        else:
            why = reason
    return tuple(kept), why


def _lasting(text: str, fault: type[LastingFault], **fields: Any) -> Variant:
    """Return a fault for the duration of its piece."""
    return Variant(text, lambda at_us, span_us: (cast(AnyFault, fault(at_us=at_us, for_us=span_us, **fields)),))


def _moves(text: str, names: list[str], position: float) -> Variant:
    """Return a move of some channels to one position."""
    return Variant(text, lambda at_us, _: tuple(Move(at_us=at_us, channel=name, position=position) for name in names))


def _percent(share: float) -> str:
    return f"{100 * share:g} %"


def _table(profile: Profile) -> Iterator[Kind]:
    """Yield every kind for a receiver, the simplest first."""
    address = "the handset's packets go to another address"
    hung, fading = "handset hung, its radio repeats the last packet", "the signal fades out within a second"
    others = [index for index in range(len(profile.channels)) if index != profile.throttle_index]
    yield Kind(WAIT, True, (Variant(WAIT, lambda at_us, span_us: ()),))
    yield Kind(AWAY, True, (_lasting("link lost", LinkCut),))
    yield Kind("throttle stick", False, tuple(_stick_variants(profile, profile.throttle_index)))
    yield Kind("handset off", True, (_lasting("handset off", HandsetOff),), about=("FS-OFF",))
    yield Kind("interference", True, tuple(_interference()), about=("FS-JAM",))
    yield Kind("stray packets", True, tuple(_strays(profile)), about=("RC-STRAY",))
    yield Kind("link comes and goes", True, tuple(_flapping(profile)), about=("RC-CHATTER",))
    yield Kind("wrong address", True, (_lasting(address, WrongAddress),), about=("FS-ADDRESS",))
    for name, variants, about in (
        ("damaged packets", _damage(), ("FS-DAMAGED",)),
        ("foreign handset", _foreign(profile), ("FS-FOREIGN", "FS-INTRUDER")),
        ("handset hung", [_lasting(hung, HandsetHung)], ("FS-STALE",)),
        ("fade", [_lasting(fading, FadeRamp, depth_db=150.0, ramp_us=1_000_000)], ("FS-FADE",)),
    ):
        kept, why = _protected(profile, variants)
        yield Kind(name, True, kept, why, about)
    yield Kind("main loop hung", True, (_lasting("the receiver's main loop hangs", MainLoopHung),), about=("FS-HANG",))
    reset = Variant("the receiver resets", lambda at_us, _: (ReceiverReset(at_us=at_us),))
    yield Kind("receiver reset", False, (reset,), about=("PW-RESET",))
    yield Kind("brown-out", True, tuple(_brown_outs(profile)), about=("PW-BROWNOUT",))
    yield Kind("another stick", False, tuple(v for index in others for v in _stick_variants(profile, index)))
    yield Kind("all sticks", False, tuple(_all_sticks(profile)))
    yield Kind("stick wire broken", True, tuple(_broken_wires(profile)), about=("CH-WIRE",))


def _handset_table(profile: Profile) -> Iterator[Kind]:
    """Yield every kind for a handset, the simplest first."""
    throttle = profile.throttle_index
    others = [index for index in range(len(profile.channels)) if index != throttle]
    broken, why = _told_breaks(profile)
    yield Kind(WAIT, True, (Variant(WAIT, lambda at_us, span_us: ()),))
    yield Kind("throttle stick", False, tuple(_stick_variants(profile, throttle, HANDSET_PLACES)))
    yield Kind("all sticks", False, tuple(_all_sticks(profile, HANDSET_PLACES)))
    yield Kind("another stick", False, tuple(v for i in others for v in _stick_variants(profile, i, HANDSET_PLACES)))
    yield Kind("handset off", True, (_lasting("handset off", HandsetOff),))
    reset = Variant("the handset resets", lambda at_us, _: (HandsetReset(at_us=at_us),))
    yield Kind("handset reset", False, (reset,), about=("HS-RESET",))
    hung = _lasting("the handset's main loop hangs", HandsetLoopHung)
    yield Kind("handset loop hung", True, (hung,), about=("HS-HANG",))
    busy = _lasting("the handset's radio takes no packet", HandsetRadioBusy)
    yield Kind("handset radio busy", True, (busy,), about=("HS-BUSY",))
    dead, why_not = _dead_radios(profile)
    yield Kind("handset radio dead", True, dead, why_not, ("HS-RADIO", "HS-ADDRESS"))
    fall, why_full = _falls(profile)
    yield Kind("battery falls", False, fall, why_full, ("HS-REF",))
    unanswered = _lasting("the receiver answers no packet", LinkCut)
    told = profile.radio.acknowledge
    why_none = "" if told else "the receiver acknowledges no packets (radio.acknowledge)"
    yield Kind("answers lost", True, (unanswered,) if told else (), why_none, ("HS-DEAF",))
    yield Kind("contacts bounce", False, tuple(_bounces(profile)), about=("HS-SWITCH",))
    yield Kind("stick wire broken", True, tuple(broken), why, ("HS-WIRE", "HS-FLOAT"))


def _falls(profile: Profile) -> tuple[tuple[Variant, ...], str]:
    """Return the fall of a battery that the program sees, and why it is left out."""
    if profile.battery.input_range_mv is None:
        return (), "the profile declares no input for the handset's battery (battery.input_range)"
    lowest_mv = profile.battery.lowest_mv
    fall = Variant(
        "the battery begins to fall",
        lambda at_us, _: (BatteryFalls(at_us=at_us, to_mv=lowest_mv, ramp_us=limits.BATTERY_FALLS_US),),
    )
    return (fall,), ""


def _dead_radios(profile: Profile) -> tuple[tuple[Variant, ...], str]:
    """Return what a radio may do that a program has set up, and why that is left out."""
    if profile.handset.address is None:
        return (), "the profile declares no address (handset.address), so no program sets up the radio"
    forgets = Variant("the handset's radio forgets its set-up", lambda at_us, _: (HandsetRadioForgets(at_us=at_us),))
    return (_lasting("the handset's radio is dead", HandsetRadioDead), forgets), ""


def _bounces(profile: Profile) -> Iterator[Variant]:
    """Yield moves of each switch whose contacts bounce."""

    def moved(name: str, place: float, bounce_us: int) -> Effect:
        return lambda at_us, _: (
            SwitchBounces(at_us=at_us, for_us=2 * bounce_us, channel=name, bounce_us=bounce_us),
            Move(at_us=at_us, channel=name, position=place),
        )

    for bounce_us in BOUNCES_US:
        for channel in profile.channels:
            number = len(SWITCH_CODES.get(channel.kind, ()))
            for place in (place / (number - 1) for place in range(number)):
                text = f"{channel.name} goes to {_percent(place)}, its contacts bounce for {bounce_us / 1000:g} ms"
                yield Variant(text, moved(channel.name, place, bounce_us))


def _told_breaks(profile: Profile) -> tuple[list[Variant], str]:
    """Return the breaks of a stick's wire that a handset must bear, and why others are left out."""
    throttle = profile.channels[profile.throttle_index]
    rails = [rail for rail in ("low", "high") if tells_break(throttle, rail) or rail == idle_rail(throttle)]
    why = "" if len(rails) == 2 else (
        f"the throttle's travel leaves less than {LEAST_MARGIN:.0%} of the track beyond its high stop, so a wire that "
        "breaks to this rail cannot be told from a stop"
    )  # fmt: skip
    variants = [_broken_wire(throttle.name, rail) for rail in rails]
    others = [one.name for one in profile.channels if one.kind == "stick" and one.name != throttle.name]
    return [*variants, *(_broken_wire(name, rail) for name in others for rail in ("low", "high", "floats"))], why


def _stick_variants(profile: Profile, index: int, places: Iterable[float] = (0.0, 1.0, 0.5, 0.25)) -> Iterator[Variant]:
    channel = profile.channels[index]
    if index == profile.arm_index:
        on = ScenarioBuilder(profile, 0, "hunt").switched_on(index)
        for position, state in ((1.0 - on, "off"), (on, "on")):
            yield _moves(f"the arming switch goes {state}", [channel.name], position)
        return
    what, positions = ("stick", tuple(places)) if channel.kind == "stick" else ("switch", (0.0, 1.0))
    for position in positions:
        yield _moves(f"{channel.name} {what} goes to {_percent(position)}", [channel.name], position)


def _all_sticks(profile: Profile, places: Iterable[float] = (0.0, 1.0, 0.5)) -> Iterator[Variant]:
    names = [channel.name for channel in profile.channels if channel.kind == "stick"]
    for position in places:
        yield _moves(f"all sticks go to {_percent(position)}", names, position)


def _interference() -> Iterator[Variant]:
    for loss in (1.0, 0.3, 0.5, 0.7, 0.9):
        yield _lasting(f"interference loses {_percent(loss)} of the packets", InterferenceBurst, loss=loss)
    for period_us, burst_us in ((102_400, 10_000), (40_000, 20_000)):
        text = f"interference for {burst_us / 1000:g} ms every {period_us / 1000:g} ms"
        yield _lasting(text, PeriodicInterference, period_us=period_us, burst_us=burst_us)


def _strays(profile: Profile) -> Iterator[Variant]:
    """Yield lost links with occasional packets, fewer than recovery needs."""
    interval_us, frame_us = profile.handset.packet_interval_us, profile.output.frame_period_us
    if profile.receiver.recovery_packets < 2:
        return
    up_us = max(1, interval_us * 9 // 10 - profile.handset.jitter_us)
    for down_us in (profile.requirements.cut_within_us + 4 * frame_us, 4_000_000):
        text = f"link lost except for a single packet every {(down_us + up_us) / 1000:.5g} ms"
        yield _lasting(text, FlappingLink, down_us=down_us, up_us=up_us)


def _flapping(profile: Profile) -> Iterator[Variant]:
    interval_us, cut_us = profile.handset.packet_interval_us, profile.cut_delay_us
    for down_us, up_us in (
        (cut_us + interval_us, 4 * interval_us),
        (cut_us // 3, 2 * interval_us),
        (cut_us // 8, cut_us // 8),
        (cut_us + 2 * interval_us, cut_us),
    ):
        text = f"intermittent link, {down_us / 1000:.5g} ms lost and {up_us / 1000:.5g} ms good"
        yield _lasting(text, FlappingLink, down_us=max(1, down_us), up_us=max(1, up_us))


def _damage() -> Iterator[Variant]:
    for share in (1.0, 0.3):
        yield _lasting(f"{_percent(share)} of the packets are damaged", DamagedPayload, share=share)


def _foreign(profile: Profile) -> Iterator[Variant]:
    own = profile.payload_bytes
    lengths = [None, *(length for length in (own - 1, own + 1) if 1 <= length <= PAYLOAD_LIMIT_BYTES)]
    interval_us = max(500, profile.handset.packet_interval_us * 13 // 10)
    for length in lengths:
        size = "" if length is None else f", packets of {length} bytes instead of {own}"
        for position in (1.0, 0.0):
            yield _lasting(
                f"a foreign handset on the same address{size}, its sticks at {_percent(position)}", ForeignHandset,
                payload_bytes=length, position=position, interval_us=interval_us,
            )  # fmt: skip


def _brown_outs(profile: Profile) -> Iterator[Variant]:
    yield _lasting("the receiver's supply fails", BrownOut, on_acknowledgement=False)
    if profile.radio.acknowledge:
        yield _lasting("the receiver's supply fails at its next acknowledgement", BrownOut, on_acknowledgement=True)


def _broken_wires(profile: Profile) -> Iterator[Variant]:
    for channel in profile.channels:
        for rail in ("low", "high") if channel.kind == "stick" else ():
            yield _broken_wire(channel.name, rail)


def _broken_wire(name: str, rail: str) -> Variant:
    how = "its input floats" if rail == "floats" else f"reads {rail}"
    return _lasting(f"the wire of {name} breaks and {how}", StickWireBroken, channel=name, rail=rail)
