"""What can go wrong in a timeline: a table of kinds of events, the simplest first, each with its variants on a link.

To add a kind: a row in `_table` with its name, its variants and their effects. Pieces of a timeline are numbers (kind,
variant, duration), so a search that makes numbers smaller makes timelines simpler.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final, cast

from lostlink.hunt.durations import Duration, link_durations
from lostlink.invariants.attribution import unprotected
from lostlink.scenarios import ScenarioBuilder
from lostlink_sims import Move, Profile
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES
from lostlink_sims.scenario import (
    AnyFault,
    BrownOut,
    DamagedPayload,
    FadeRamp,
    FlappingLink,
    ForeignHandset,
    HandsetHung,
    HandsetOff,
    InterferenceBurst,
    LastingFault,
    LinkCut,
    MainLoopHung,
    PeriodicInterference,
    ReceiverReset,
    StickWireBroken,
    WrongAddress,
)

Effect = Callable[[int, int], tuple[AnyFault | Move, ...]]
"""From the start and the duration, in microseconds, to the faults and moves of a scenario."""

WAIT: Final = "link good"
"""The kind without a fault: time passes."""


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
    """

    profile: Profile
    kinds: tuple[Kind, ...]
    durations: tuple[Duration, ...]
    left_out: tuple[str, ...]


def world(profile: Profile) -> World:
    """Return the kinds, variants and durations for a link."""
    kinds, left_out = [], []
    waived = set(profile.requirements.waived)
    for kind in _table(profile):
        if about_waived := waived.intersection(kind.about):
            left_out.append(f"{kind.name}: {', '.join(sorted(about_waived))} waived by the profile")
            continue
        if kind.left_out:
            left_out.append(f"{kind.name}: {kind.left_out}")
        if kind.variants:
            kinds.append(kind)
    return World(profile, tuple(kinds), link_durations(profile), tuple(left_out))


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
    """Yield every kind, the simplest first."""
    address = "the handset's packets go to another address"
    hung, fading = "handset hung, its radio repeats the last packet", "the signal fades out within a second"
    others = [index for index in range(len(profile.channels)) if index != profile.throttle_index]
    yield Kind(WAIT, True, (Variant(WAIT, lambda at_us, span_us: ()),))
    yield Kind("link away", True, (_lasting("link lost", LinkCut),))
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


def _stick_variants(profile: Profile, index: int) -> Iterator[Variant]:
    channel = profile.channels[index]
    if index == profile.arm_index:
        on = ScenarioBuilder(profile, 0, "hunt").switched_on(index)
        for position, state in ((1.0 - on, "off"), (on, "on")):
            yield _moves(f"the arming switch goes {state}", [channel.name], position)
        return
    what, positions = ("stick", (0.0, 1.0, 0.5, 0.25)) if channel.kind == "stick" else ("switch", (0.0, 1.0))
    for position in positions:
        yield _moves(f"{channel.name} {what} goes to {_percent(position)}", [channel.name], position)


def _all_sticks(profile: Profile) -> Iterator[Variant]:
    names = [channel.name for channel in profile.channels if channel.kind == "stick"]
    for position in (0.0, 1.0, 0.5):
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
            text = f"the wire of {channel.name} breaks and reads {rail}"
            yield _lasting(text, StickWireBroken, channel=channel.name, rail=rail)
