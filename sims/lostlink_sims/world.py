"""One run of one scenario in virtual time: handset, radio path, receiver board, flight controller.

Packets and their fates are calculated a tile ahead (`handset`, `fates`), pulse edges after the frames (`recorder`).
Scripted faults, and what follows from them, are events; they cut the run into spans, in which the board gets its
packets, turns its main loop and starts its frames without a queue (`board`). In real time packets are events too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Generic, Protocol, TypeVar

from lostlink_sims.board import Board
from lostlink_sims.clock import FAULT, World
from lostlink_sims.crashes import ReceiverCrashError
from lostlink_sims.fates import Air
from lostlink_sims.handset import Handset, Slots
from lostlink_sims.handset_bench import RecordedHandset
from lostlink_sims.handset_board import HandsetBoard
from lostlink_sims.handset_program import HandsetFactory
from lostlink_sims.log import FrameLog
from lostlink_sims.packets import Arrivals, ForeignPackets, OwnPackets
from lostlink_sims.power import PowerState
from lostlink_sims.profile import Profile
from lostlink_sims.receiver import ReceiverFactory, ReferenceReceiver
from lostlink_sims.recorder import Recorder
from lostlink_sims.scenario import (
    BrownOut,
    ForeignHandset,
    LastingFault,
    MainLoopHung,
    OutputStops,
    ReceiverReset,
    Scenario,
)
from lostlink_sims.streams import Purpose, Streams
from lostlink_sims.trace import NoteKind, Summary, Trace

Build = Callable[[World, FrameLog, int], PowerState]
"""``build(env, log, frame_phase_us)`` returns a receiver board."""


def simulate(
    profile: Profile,
    scenario: Scenario,
    receiver: ReceiverFactory = ReferenceReceiver,
    handset: HandsetFactory | None = None,
) -> Trace:
    """Run a scenario and return its trace.

    The same profile, scenario, receiver and handset give the same trace, byte for byte, on any machine.

    Parameters
    ----------
    handset : callable, optional
        ``Name(profile)`` gives the program of a handset under test. [default: the profile's handset, as data]
    """
    return simulate_on(_board_of(profile, scenario, receiver), profile, scenario, handset)


def simulate_on(build: Build, profile: Profile, scenario: Scenario, handset: HandsetFactory | None = None) -> Trace:
    """Run a scenario on the receiver board that `build` returns, as `simulate`."""
    stage, crash = _run(build, profile, scenario, handset, keep=True)
    trace = stage.trace(crash)
    trace.handset_crashed = stage.handset_crashed
    if isinstance(stage.handset, HandsetBoard):
        trace.alarm = stage.handset.alarm
    return trace


def simulate_packets(
    profile: Profile,
    scenario: Scenario,
    packets: Sequence[tuple[int, bytes]],
    receiver: ReceiverFactory = ReferenceReceiver,
) -> Trace:
    """Run a scenario with packets that a handset has sent, on a bench: instants in µs, in order, and payloads."""

    def handset(_: Profile, __: Scenario, ___: Streams) -> Transmitter:
        return RecordedHandset(packets)

    stage = Stage(profile, scenario, _board_of(profile, scenario, receiver), keep=True, handset=handset)
    stage.fly(scenario.duration_us)
    stage.close()
    return stage.trace()


def summarise(profile: Profile, scenario: Scenario, receiver: ReceiverFactory = ReferenceReceiver) -> Summary:
    """Run a scenario and return its summary only, in memory that does not grow with its duration.

    Raises
    ------
    ReceiverCrashError
        If the receiver's program raises an exception.
    """
    stage, crash = _run(_board_of(profile, scenario, receiver), profile, scenario, None, keep=False)
    if crash is not None:
        raise ReceiverCrashError(crash)
    return stage.recorder.summary


B_co = TypeVar("B_co", bound=PowerState, covariant=True)


class Transmitter(Protocol):
    """A source of packets, simulated or real."""

    def slots(self) -> Iterator[Slots]:
        """Yield all packets of the scenario, in order."""
        ...


class Stage(Generic[B_co]):
    """A scenario set up to run: by `fly`, or in real time by a caller that advances `env` after `enqueue`.

    Parameters
    ----------
    profile, scenario : Profile, Scenario
    build : callable
        ``build(env, recorder, frame_phase_us)`` returns the receiver board.
    keep : bool
        Whether to keep the trace or only the summary.
    handset : callable, optional
        ``handset(profile, scenario, draws)`` returns the handset. [default: the simulated one]

    Attributes
    ----------
    env : World
    recorder : Recorder
    board : PowerState
    handset : Transmitter
    handset_crashed : bool
    """

    def __init__(
        self,
        profile: Profile,
        scenario: Scenario,
        build: Callable[[World, Recorder, int], B_co],
        *,
        keep: bool,
        handset: Callable[[Profile, Scenario, Streams], Transmitter] = Handset,
    ) -> None:
        self.env = env = World()
        self.recorder = recorder = Recorder(profile, keep=keep)
        self._profile, self._scenario = profile, scenario
        self.handset_crashed = False
        draws = Streams(scenario.seed, scenario.trial)
        frame_phase_us = scenario.frame_phase_us
        if frame_phase_us is None:
            frame_phase_us = int(draws.below(Purpose.PHASES, 1, 1, profile.output.frame_period_us)[0])
        self.board = board = build(env, recorder, frame_phase_us)
        self._air = air = Air(profile, scenario, draws)
        self.handset = handset(profile, scenario, draws)
        is_told = profile.radio.acknowledge and isinstance(self.handset, HandsetBoard)
        report = self.handset.report if is_told else None  # type: ignore[attr-defined]
        own = OwnPackets(env, profile, air, board, (air.fly(slots) for slots in self.handset.slots()), report)
        self._arrivals = Arrivals(env, board, recorder, own)
        env.once(scenario.receiver_on_us, FAULT, board.power_on)
        self._plan_faults()

    def _plan_faults(self) -> None:
        """Schedule the receiver's faults; `handset` and `fates` handle the others."""
        end_us, board = self._scenario.duration_us, self.board

        def plan(at_us: int, act: Callable[..., object], *arguments: object) -> None:
            self.env.once(at_us, FAULT, partial(act, *arguments))

        for fault in self._scenario.faults:
            self.recorder.note(fault.at_us, NoteKind.FAULT, fault.name)
            until_us = fault.until_us(end_us) if isinstance(fault, LastingFault) else end_us
            if until_us < end_us:
                self.recorder.note(until_us, NoteKind.FAULT_END, f"end of {fault.name}")
            match fault:
                case ReceiverReset():
                    plan(fault.at_us, board.reset, "receiver boots")
                case MainLoopHung():
                    plan(fault.at_us, board.hang, until_us)
                case OutputStops():
                    plan(fault.at_us, board.stop_output)
                    if until_us < end_us:
                        plan(until_us, board.resume_output)
                case BrownOut():
                    act = self._brown_out_next if fault.on_acknowledgement else board.brown_out
                    plan(fault.at_us, act, until_us - fault.at_us)
                case ForeignHandset():
                    own = self._arrivals.own
                    self._arrivals.foreign.append(ForeignPackets(self._profile, fault, until_us, own))

    def _brown_out_next(self, down_us: int) -> None:
        """Break the receiver's supply down at its next acknowledgement."""
        self._arrivals.own.brown_out_us = down_us

    def fly(self, until_us: int) -> None:
        """Run the scenario until an instant, which is not included."""
        env, board, arrivals = self.env, self.board, self._arrivals
        while True:
            to_us = min(env.next_us, arrivals.load_at_us, until_us)
            at_us, rows = arrivals.before(to_us)
            to_us = min(to_us, env.next_us, arrivals.load_at_us)
            board.span(at_us, rows, to_us)
            env.leap(to_us)
            if to_us >= until_us:
                break
            while env.next_us == to_us:
                env.step()
            if arrivals.load_at_us == to_us:
                arrivals.load()

    def enqueue(self, take: Callable[[int, bytes], bool]) -> None:
        """Make the arrivals events of `env`; ``take(now_us, payload)`` tells whether a program read the payload."""
        self._arrivals.enqueue(take)

    def close(self, *, refused: bool = False) -> None:
        """Complete the record; `refused` means that the program crashed over the packet that arrived last."""
        self._arrivals.close(self.env.now, refused=refused)
        self.recorder.close(self.env.now, self._air.fates, self._arrivals.own.events + self.board.turns)

    def trace(self, crash: str | None = None) -> Trace:
        """Return the trace, after `close`."""
        return self.recorder.trace(self._profile, self._scenario, self._air.fates, crash)


def _board_of(profile: Profile, scenario: Scenario, receiver: ReceiverFactory) -> Build:
    clock_us = scenario.receiver_clock_us
    return lambda env, log, phase_us: Board(env, profile, receiver, log, phase_us, clock_us)


def _run(
    build: Build, profile: Profile, scenario: Scenario, handset: HandsetFactory | None, *, keep: bool
) -> tuple[Stage[PowerState], str | None]:
    stage = Stage(
        profile,
        scenario,
        build,
        keep=keep,
        handset=Handset if handset is None else partial(HandsetBoard, factory=handset),
    )
    crash = None
    try:
        stage.fly(scenario.duration_us)
    except ReceiverCrashError as error:
        crash = str(error)
        stage.recorder.note(stage.env.now, NoteKind.CRASH, crash)
    own = stage.handset
    if isinstance(own, HandsetBoard) and own.crash is not None and crash is None:
        crash, stage.handset_crashed = own.crash.text, True
        stage.recorder.note(own.crash.at_us, NoteKind.CRASH, crash)
    stage.close(refused=stage.board.refused)
    return stage, crash
