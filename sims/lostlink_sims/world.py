"""One run of one scenario in virtual time: handset, radio path, receiver board, flight controller.

Packets and their fates are calculated a tile ahead (`handset`, `fates`), pulse edges after the frames (`recorder`), and
a moving deadline is one event (`board`). The event loop handles two events per packet and one per frame.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Generic, Protocol, TypeVar

from lostlink_sims.board import Board, BoardPort, ReceiverCrashError
from lostlink_sims.clock import FAULT, World, once
from lostlink_sims.fates import Air
from lostlink_sims.handset import Handset, Slots
from lostlink_sims.packets import ForeignPackets, OwnPackets
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


def simulate(profile: Profile, scenario: Scenario, receiver: ReceiverFactory = ReferenceReceiver) -> Trace:
    """Run a scenario and return its trace.

    The same profile, scenario and receiver give the same trace, byte for byte, on any machine.
    """
    stage, crash = _run(profile, scenario, receiver, keep=True)
    return stage.trace(crash)


def summarise(profile: Profile, scenario: Scenario, receiver: ReceiverFactory = ReferenceReceiver) -> Summary:
    """Run a scenario and return its summary only, in memory that does not grow with its duration.

    Raises
    ------
    ReceiverCrashError
        If the receiver's program raises an exception.
    """
    stage, crash = _run(profile, scenario, receiver, keep=False)
    if crash is not None:
        raise ReceiverCrashError(crash)
    return stage.recorder.summary


B_co = TypeVar("B_co", bound=BoardPort, covariant=True)


class Transmitter(Protocol):
    """A source of packets, simulated or real."""

    def slots(self) -> Iterator[Slots]:
        """Yield all packets of the scenario, in order."""
        ...


class Stage(Generic[B_co]):
    """A scenario set up to run; the caller advances `env`, at full speed or in real time.

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
    board : BoardPort
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
        draws = Streams(scenario.seed, scenario.trial)
        frame_phase_us = scenario.frame_phase_us
        if frame_phase_us is None:
            frame_phase_us = int(draws.below(Purpose.PHASES, 1, 1, profile.output.frame_period_us)[0])
        self.board = board = build(env, recorder, frame_phase_us)
        self._air = air = Air(profile, scenario, draws)
        packets = handset(profile, scenario, draws).slots()
        self._link = OwnPackets(env, profile, air, board, recorder, (air.fly(slots) for slots in packets))
        once(env, scenario.receiver_on_us, FAULT, board.power_on)
        _script_faults(env, profile, scenario, board, self._link, recorder)
        self._link.start()

    def close(self) -> None:
        """Complete the record."""
        self._link.close()
        self.recorder.close(self.env.now, self._air.fates, self._link.events + self.board.turns)

    def trace(self, crash: str | None = None) -> Trace:
        """Return the trace, after `close`."""
        return self.recorder.trace(self._profile, self._scenario, self._air.fates, crash)


def _run(
    profile: Profile, scenario: Scenario, receiver: ReceiverFactory, *, keep: bool
) -> tuple[Stage[Board], str | None]:
    def build(env: World, recorder: Recorder, frame_phase_us: int) -> Board:
        return Board(env, profile, scenario, receiver, recorder, frame_phase_us)

    stage = Stage(profile, scenario, build, keep=keep)
    crash = None
    try:
        stage.env.run_until(scenario.duration_us)
    except ReceiverCrashError as error:
        crash = str(error)
        stage.recorder.note(stage.env.now, NoteKind.CRASH, crash)
    stage.close()
    return stage, crash


def _script_faults(
    env: World, profile: Profile, scenario: Scenario, board: BoardPort, link: OwnPackets, recorder: Recorder
) -> None:
    """Schedule the receiver's faults; `handset` and `fates` handle the others."""
    end_us = scenario.duration_us
    for fault in scenario.faults:
        recorder.note(fault.at_us, NoteKind.FAULT, fault.name)
        until_us = fault.until_us(end_us) if isinstance(fault, LastingFault) else end_us
        if isinstance(fault, LastingFault) and until_us < end_us:
            recorder.note(until_us, NoteKind.FAULT_END, f"end of {fault.name}")
        match fault:
            case ReceiverReset():
                once(env, fault.at_us, FAULT, lambda: board.reset("receiver boots"))
            case MainLoopHung():
                once(env, fault.at_us, FAULT, lambda until_us=until_us: board.hang(until_us))  # type: ignore[misc]
            case OutputStops():
                once(env, fault.at_us, FAULT, board.stop_output)
                if until_us < end_us:
                    once(env, until_us, FAULT, board.resume_output)
            case BrownOut():
                down_us = until_us - fault.at_us
                if fault.on_acknowledgement:
                    once(env, fault.at_us, FAULT, lambda down_us=down_us: link.brown_out_next(down_us))  # type: ignore[misc]
                else:
                    once(env, fault.at_us, FAULT, lambda down_us=down_us: board.brown_out(down_us))  # type: ignore[misc]
            case ForeignHandset():
                ForeignPackets(env, profile, fault, until_us, board, link, recorder).start()
