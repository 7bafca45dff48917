"""Contract checks for receivers and rigs, also of other packages; call them in a test.

::

    from lostlink.contracts import check_receiver, check_rig

    def test_our_receiver(profile):
        check_receiver(OurReceiver, profile)
"""

from __future__ import annotations

from collections.abc import Callable
from numbers import Integral
from typing import Any, Final

import numpy as np

from lostlink.rigs import Rig
from lostlink.rigs.receivers import METHODS
from lostlink.scenarios import ScenarioBuilder
from lostlink_sims import HowSeen, Profile, Scenario, Trace
from lostlink_sims.receiver import MASK, Receiver, ReceiverFactory
from lostlink_sims.scenario import LinkCut
from lostlink_sims.sticks import layout
from lostlink_sims.trace import NOT_YET

_CLOCKS: Final = (0, MASK - 500_000)
"""Values of the counter at power-on; after the second one it wraps during the check."""
_PACKETS: Final = 200


class ContractError(AssertionError):
    """A receiver or a rig violates its interface."""


def _require(condition: object, text: str) -> None:
    if not condition:
        raise ContractError(text)


# --- receivers -------------------------------------------------------------------------------------------------------


def check_receiver(factory: ReceiverFactory, profile: Profile) -> None:
    """Check that a receiver conforms to the interface `lostlink_sims.Receiver`.

    It gets packets, some of them damaged, a silence longer than its timeout, and packets again, with a counter that
    wraps; then a fresh receiver gets the same. Whether its failsafe works is not checked: that is ``lostlink prove``.
    The class runs in this process; ``lostlink prove`` runs it in a separate one.

    Parameters
    ----------
    factory : callable
        ``factory(profile)`` returns a new receiver, for power-on and each reset.
    profile : Profile

    Raises
    ------
    ContractError
        If a method is missing or returns an invalid value, or a fresh receiver depends on an earlier one.
    """
    for clock_us in _CLOCKS:
        first, second = (_outputs(factory(profile), profile, clock_us) for _ in range(2))
        _require(
            first == second,
            "a fresh receiver behaves differently from the first one: keep all state in the instance, set it in "
            "__init__ or power_on(), and use no random numbers",
        )


def _outputs(receiver: Receiver, profile: Profile, clock_us: int) -> list[tuple[Any, ...]]:
    """Return wake-up time, widths and failsafe flag at power-on and after each packet interval."""
    for method in METHODS:
        _require(callable(getattr(receiver, method, None)), f"the receiver has no method {method}()")
    counter = np.arange(_PACKETS)
    rows = layout(profile, np.outer(20 + counter, np.ones(len(profile.channels), np.int64)), counter)
    rows[49::50] ^= 0xFF  # damaged
    packets = [row.tobytes() for row in rows]
    interval_us = profile.handset.packet_interval_us
    silence = [None] * (2 + (profile.cut_delay_us + profile.receiver.recovery_us) // interval_us)
    _nothing(receiver.power_on, clock_us)
    outputs = [_output(receiver, clock_us)]
    for payload in (*packets, *silence, *packets):
        clock_us = (clock_us + interval_us) & MASK
        if payload is not None:
            _nothing(receiver.packet, clock_us, payload)
        outputs.append(_output(receiver, clock_us))
    return outputs


def _nothing(method: Callable[..., Any], *arguments: Any) -> None:
    returned = method(*arguments)
    _require(returned is None, f"{method.__name__}() returned {returned!r}; it must return nothing")


def _output(receiver: Receiver, clock_us: int) -> tuple[Any, ...]:
    """Call `poll` and `pulses` as the hardware does, and check what they return."""
    wake_us = receiver.poll(clock_us)
    _require(
        wake_us is None or _is_whole(wake_us),
        f"poll() returned {wake_us!r}; it must return the clock in whole µs of the next call, or None",
    )
    widths = receiver.pulses(clock_us)
    _require(
        widths is None or all(map(_is_whole, widths)),
        f"pulses() returned {widths!r}; it must return a sequence of whole µs, or None",
    )
    failsafe = getattr(receiver, "failsafe", None)
    _require(isinstance(failsafe, bool | np.bool_), f"failsafe is {failsafe!r}; it must be True or False")
    return wake_us, None if widths is None else tuple(widths), failsafe


def _is_whole(value: object) -> bool:
    return isinstance(value, Integral) and not isinstance(value, bool)


# --- rigs ------------------------------------------------------------------------------------------------------------


def check_rig(rig: Rig) -> None:
    """Check that a rig conforms to the interface `lostlink.rigs.Rig`: runs two scenarios on it, then closes it.

    Motors may start on a rig that drives hardware: take the propellers off first.

    Raises
    ------
    ContractError
        If an attribute has the wrong type, a trace does not fit its scenario, runs are not counted, or the rig cannot
        be closed twice.
    lostlink.errors.LostlinkError
        Errors of the rig itself.
    """
    try:
        _check_attributes(rig)
        flight = next(ScenarioBuilder(rig.profile, 1, "contract").flights(1))
        runs = rig.runs
        for number, scenario in enumerate((flight.into(), flight.into(LinkCut(at_us=flight.at_us))), 1):
            check_trace(rig.run(scenario), rig, scenario)
            _require(rig.runs == runs + number, f"runs is {rig.runs}, not {runs + number}; run() must count")
    finally:
        rig.close()
        rig.close()


def _check_attributes(rig: Rig) -> None:
    kinds = {
        "name": str, "receiver": str, "runs": int, "about": dict, "profile": Profile,
        "phase_stride": int, "varied_stride": int, "how_seen": HowSeen,
        "drives_hardware": bool, "sets_clock": bool, "sees_flag": bool,
    }  # fmt: skip
    for name, kind in kinds.items():
        value = getattr(rig, name, None)
        _require(isinstance(value, kind), f"{name} is {value!r}; it must be of the type {kind.__name__}")
    for name in ("phase_stride", "varied_stride"):
        _require(getattr(rig, name) >= 1, f"{name} is {getattr(rig, name)}; it must be at least 1")
    about: dict[Any, Any] = rig.about
    texts = all(isinstance(part, str) for item in about.items() for part in item)
    _require(texts, f"about is {about!r}; its keys and values must be texts")


def check_trace(trace: Trace, rig: Rig, scenario: Scenario) -> None:
    """Check that a trace belongs to the scenario and that its columns agree.

    Raises
    ------
    ContractError
        If it does not, or they do not.
    """
    _require(isinstance(trace, Trace), f"run() returned {type(trace).__name__}; it must return a Trace")
    _require(trace.scenario == scenario, "the trace holds another scenario than the one that run() was given")
    _require(trace.profile == rig.profile, "the trace holds another profile than the rig")
    _require(trace.how_seen is rig.how_seen, f"the trace is {trace.how_seen.value}, the rig is {rig.how_seen.value}")
    for name in ("uncertainty_us", "span_uncertainty_us"):
        value = getattr(trace, name)
        _require(_is_whole(value) and value >= 0, f"{name} is {value!r}; it must be a whole number >= 0")
    packets = trace.packets
    columns = {name: getattr(packets, name) for name in ("left_us", "arrived_us", "fate", "attempts", "payload")}
    lengths = {name: len(column) for name, column in columns.items()}
    _require(len(set(lengths.values())) == 1, f"the columns of packets have different lengths: {lengths}")
    _ascending("packets.left_us", packets.left_us)
    known = len(packets.fate) == 0 or int(packets.fate.max()) < len(trace.fates)
    _require(known, "a fate of a packet is not an index into the trace's fates")
    arrived = packets.arrived_us[packets.arrived_us != NOT_YET]
    _require((arrived >= 0).all(), "packets.arrived_us holds a negative instant")
    for name, steps in (("failsafe", trace.failsafe), ("motor", trace.motor), ("arming", trace.arming)):
        same = len(steps.at_us) == len(steps.value)
        _require(same, f"{name}: {len(steps.at_us)} instants, {len(steps.value)} values")
        _ascending(f"{name}.at_us", steps.at_us)
    _require(set(np.unique(trace.failsafe.value).tolist()) <= {0, 1}, "failsafe.value must be 0 or 1")
    _ascending("frames.start_us", trace.frames.start_us)
    begun = (trace.frames.start_us <= scenario.duration_us).all()
    _require(begun, "frames.start_us holds an instant after the end of the scenario")
    separators = trace.separators_us
    agree = separators is None or len(separators) == len(trace.frames.start_us)
    _require(agree, "separators_us must have one row per frame")


def _ascending(name: str, instants_us: Any) -> None:
    _require((np.diff(instants_us) >= 0).all(), f"{name} must ascend")
