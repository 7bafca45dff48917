"""What can go wrong in a timeline: a table of kinds, the simplest first; each with the variants a link knows.

A kind is data. To add one: a row in `_table` with its name, its variants, and what it does. Pieces are numbers (which
kind, which variant, how long), so that a search which makes numbers smaller makes timelines simpler.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final, cast

from lostlink.hunt.attribution import unprotected
from lostlink.hunt.durations import Rung, ladder
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

What = AnyFault | Move
Does = Callable[[int, int], tuple[What, ...]]
"""From when and for how long to what a scenario holds."""

WAIT: Final = "link fine"
"""Nothing goes wrong: no event, but time that passes."""


@dataclass(frozen=True, slots=True)
class Variant:
    """One way in which a kind can come.

    Attributes
    ----------
    says : str
        As a pilot would say it.
    does : callable
    """

    says: str
    does: Does


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of event.

    Attributes
    ----------
    name : str
    lasts : bool
        Whether it has a duration.
    variants : tuple of Variant
        The simplest first; empty where the link cannot have it.
    left_out : str
        Why there are none, or fewer; empty otherwise.
    about : tuple of str
        Requirements that are about this kind; when the owner waived one, it is left out.
    """

    name: str
    lasts: bool
    variants: tuple[Variant, ...]
    left_out: str = ""
    about: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class World:
    """Everything a timeline on one link can be made of.

    Attributes
    ----------
    profile : Profile
    kinds : tuple of Kind
        Those with variants; the wait is the first.
    rungs : tuple of Rung
    left_out : tuple of str
        What is not tried, and why.
    """

    profile: Profile
    kinds: tuple[Kind, ...]
    rungs: tuple[Rung, ...]
    left_out: tuple[str, ...]


def world(profile: Profile) -> World:
    """Return the kinds, variants and durations for a link."""
    kinds, left_out = [], []
    waived = set(profile.requirements.waived)
    for kind in _table(profile):
        if given_up := waived.intersection(kind.about):
            left_out.append(f"{kind.name}: {', '.join(sorted(given_up))} waived by the profile's owner")
            continue
        if kind.left_out:
            left_out.append(f"{kind.name}: {kind.left_out}")
        if kind.variants:
            kinds.append(kind)
    return World(profile, tuple(kinds), ladder(profile), tuple(left_out))


def _one(says: str, does: Does) -> tuple[Variant, ...]:
    return (Variant(says, does),)


def _protected(profile: Profile, variants: Iterator[tuple[str, Does]]) -> tuple[tuple[Variant, ...], str]:
    """Keep the variants from which the link can protect itself; say why others are left out."""
    kept, why = [], ""
    for says, does in variants:
        reasons = [unprotected(profile, what) for what in does(0, 1) if not isinstance(what, Move)]
        reason = next((reason for reason in reasons if reason), None)
        if reason is None:
            kept.append(Variant(says, does))
        else:
            why = reason
    return tuple(kept), why


def _lasting(fault: type[LastingFault], **fields: Any) -> Does:
    """Return what lets a fault last as long as its piece."""

    def does(at_us: int, span_us: int) -> tuple[What, ...]:
        return (cast(What, fault(at_us=at_us, for_us=span_us, **fields)),)

    return does


def _moves(places: dict[str, float]) -> Does:
    """Return what moves sticks, by name."""

    def does(at_us: int, span_us: int) -> tuple[What, ...]:
        return tuple(Move(at_us=at_us, channel=name, position=place) for name, place in places.items())

    return does


def _percent(share: float) -> str:
    return f"{100 * share:g} %"


def _nothing(at_us: int, span_us: int) -> tuple[What, ...]:
    return ()


def _reset(at_us: int, span_us: int) -> tuple[What, ...]:
    return (ReceiverReset(at_us=at_us),)


def _table(profile: Profile) -> Iterator[Kind]:
    """Yield every kind, the simplest first."""
    address, hang = "the handset's packets go to another address", "the receiver's main loop hangs"
    yield Kind(WAIT, True, _one(WAIT, _nothing))
    yield Kind("link away", True, _one("link away", _lasting(LinkCut)))
    yield Kind("throttle stick", False, tuple(_stick_variants(profile, profile.throttle_index)))
    yield Kind("handset off", True, _one("handset off", _lasting(HandsetOff)), about=("FS-OFF",))
    yield Kind("interference", True, tuple(_interference()), about=("FS-JAM",))
    yield Kind("stray packets", True, tuple(_strays(profile)), about=("RC-STRAY",))
    yield Kind("link comes and goes", True, tuple(_flapping(profile)), about=("RC-CHATTER",))
    yield Kind("wrong address", True, _one(address, _lasting(WrongAddress)), about=("FS-ADDRESS",))
    for name, variants, about in (
        ("damaged packets", _damage(), ("FS-DAMAGED",)),
        ("foreign handset", _foreign(profile), ("FS-FOREIGN", "FS-INTRUDER")),
        ("handset hung", _hung(), ("FS-STALE",)),
        ("fade", _fades(), ("FS-FADE",)),
    ):
        kept, why = _protected(profile, variants)
        yield Kind(name, True, kept, why, about)
    yield Kind("main loop hung", True, _one(hang, _lasting(MainLoopHung)), about=("FS-HANG",))
    yield Kind("receiver reset", False, _one("the receiver resets", _reset), about=("PW-RESET",))
    yield Kind("brown-out", True, tuple(_brown_outs(profile)), about=("PW-BROWNOUT",))
    others = [index for index in range(len(profile.channels)) if index != profile.throttle_index]
    yield Kind("another stick", False, tuple(v for index in others for v in _stick_variants(profile, index)))
    yield Kind("all sticks", False, tuple(_all_sticks(profile)))
    yield Kind("stick wire broken", True, tuple(_broken_wires(profile)), about=("CH-WIRE",))


def _stick_variants(profile: Profile, index: int) -> Iterator[Variant]:
    channel = profile.channels[index]
    if index == profile.arm_index:
        on = ScenarioBuilder(profile, 0, "hunt").switched_on(index)
        for place, said in ((1.0 - on, "off"), (on, "on")):
            yield Variant(f"the arming switch goes {said}", _moves({channel.name: place}))
        return
    what = "stick" if channel.kind == "stick" else "switch"
    for place in (0.0, 1.0, 0.5, 0.25) if channel.kind == "stick" else (0.0, 1.0):
        yield Variant(f"{channel.name} {what} goes to {_percent(place)}", _moves({channel.name: place}))


def _all_sticks(profile: Profile) -> Iterator[Variant]:
    names = [channel.name for channel in profile.channels if channel.kind == "stick"]
    for place in (0.0, 1.0, 0.5):
        yield Variant(f"all sticks go to {_percent(place)}", _moves(dict.fromkeys(names, place)))


def _interference() -> Iterator[Variant]:
    for loss in (1.0, 0.3, 0.5, 0.7, 0.9):
        yield Variant(f"interference loses {_percent(loss)} of the packets", _lasting(InterferenceBurst, loss=loss))
    for period_us, burst_us in ((102_400, 10_000), (40_000, 20_000)):
        yield Variant(
            f"interference for {burst_us / 1000:g} ms every {period_us / 1000:g} ms",
            _lasting(PeriodicInterference, period_us=period_us, burst_us=burst_us),
        )


def _strays(profile: Profile) -> Iterator[Variant]:
    """Yield links that are away but for fewer packets than a return needs, now and then."""
    interval_us, frame_us = profile.handset.packet_interval_us, profile.output.frame_period_us
    if profile.receiver.recovery_packets < 2:
        return
    up_us = max(1, interval_us * 9 // 10 - profile.handset.jitter_us)
    for down_us in (profile.requirements.cut_within_us + 4 * frame_us, 4_000_000):
        yield Variant(
            f"link away, but for a single packet every {(down_us + up_us) / 1000:.5g} ms",
            _lasting(FlappingLink, down_us=down_us, up_us=up_us),
        )


def _flapping(profile: Profile) -> Iterator[Variant]:
    interval_us, cut_us = profile.handset.packet_interval_us, profile.cut_delay_us
    for down_us, up_us in (
        (cut_us + interval_us, 4 * interval_us),
        (cut_us // 3, 2 * interval_us),
        (cut_us // 8, cut_us // 8),
        (cut_us + 2 * interval_us, cut_us),
    ):
        yield Variant(
            f"link comes and goes, {down_us / 1000:.5g} ms away and {up_us / 1000:.5g} ms back",
            _lasting(FlappingLink, down_us=max(1, down_us), up_us=max(1, up_us)),
        )


def _damage() -> Iterator[tuple[str, Does]]:
    for share in (1.0, 0.3):
        yield f"{_percent(share)} of the packets are damaged", _lasting(DamagedPayload, share=share)


def _foreign(profile: Profile) -> Iterator[tuple[str, Does]]:
    own = profile.payload_bytes
    lengths: list[tuple[int | None, str]] = [(None, "a foreign handset on our address")]
    lengths += [
        (length, f"a foreign handset on our address, packets of {length} bytes in place of {own}")
        for length in (own - 1, own + 1)
        if 1 <= length <= PAYLOAD_LIMIT_BYTES
    ]
    interval_us = max(500, profile.handset.packet_interval_us * 13 // 10)
    for length, said in lengths:
        for place in (1.0, 0.0):
            yield (
                f"{said}, its sticks at {_percent(place)}",
                _lasting(ForeignHandset, payload_bytes=length, position=place, interval_us=interval_us),
            )


def _hung() -> Iterator[tuple[str, Does]]:
    yield "handset hung, its radio repeats the last packet", _lasting(HandsetHung)


def _fades() -> Iterator[tuple[str, Does]]:
    yield ("the signal fades away within a second", _lasting(FadeRamp, depth_db=150.0, ramp_us=1_000_000))


def _brown_outs(profile: Profile) -> Iterator[Variant]:
    yield Variant("the receiver's supply breaks down", _lasting(BrownOut, on_acknowledgement=False))
    if profile.radio.acknowledge:
        yield Variant(
            "the receiver's supply breaks down at its next acknowledgement", _lasting(BrownOut, on_acknowledgement=True)
        )


def _broken_wires(profile: Profile) -> Iterator[Variant]:
    for channel in profile.channels:
        if channel.kind == "stick":
            for rail in ("low", "high"):
                yield Variant(
                    f"the wire of {channel.name} breaks and reads {rail}",
                    _lasting(StickWireBroken, channel=channel.name, rail=rail),
                )
