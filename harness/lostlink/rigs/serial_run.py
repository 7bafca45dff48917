"""The trace of a run on a board behind a serial line: instants by the board's clock, mapped to the host's."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from lostlink.bench import codec
from lostlink.bench.board import Reports
from lostlink.bench.clocks import ClockFit
from lostlink.rigs.remote import RemoteBoard
from lostlink.rigs.reported import ReportedRun
from lostlink_sims import HowSeen, Profile, Scenario, Trace
from lostlink_sims.world import Stage

_BEFORE_TROUBLE_US: Final = 2_000_000
NO_CLOCK: Final = "the board's clock cannot be aligned with the host's: it stopped, jumped, or is off by more than 1 %"


def lateness_limit_us(profile: Profile, scenario: Scenario) -> int:
    """Return the largest packet scheduling error of a valid run; others are discarded and repeated.

    With faults it is the margin of the tests at a timeout, without faults most of a frame period.
    """
    limit_us = profile.receiver.timeout_us // 50 + 1_000
    return limit_us if scenario.faults else max(limit_us, profile.output.frame_period_us * 4 // 5)


def decisive_from_us(scenario: Scenario) -> int:
    """Return the instant from which packets must be in time: shortly before the first fault."""
    return max(0, min((fault.at_us for fault in scenario.faults), default=0) - _BEFORE_TROUBLE_US)


class SerialRun(ReportedRun):
    """Converts the reports of a board to a trace on the scenario's time line."""

    def __init__(
        self, profile: Profile, scenario: Scenario, stage: Stage[RemoteBoard], reports: Reports, start_ns: int,
        others: Sequence[tuple[int, int]] = (),
    ) -> None:  # fmt: skip
        super().__init__(profile, scenario, stage, reports)
        self._start_us = start_ns / 1000
        self._others = others  # orders that are no packets: planned, and carried out by the board's clock
        self.anchor_us = 0.0  # lateness of the median packet

    def trace(self, fit: ClockFit | None, identity: codec.Identity) -> Trace:
        """Return the trace with its uncertainty, and with a doubt if the bench disturbed the run."""
        if fit is None:
            return self._completed(doubt=NO_CLOCK)
        middle_us = self._start_us + self._scenario.duration_us / 2

        def raw(board_us: float) -> float:
            return fit.host_us(board_us, middle_us) - self._start_us

        def at(board_us: float) -> int:
            return round(raw(board_us) - self.anchor_us)

        arrivals = self.arrivals(raw)
        carried_out = [*arrivals.items(), *((due, raw(board_us)) for due, board_us in self._others)]
        decisive = [at_us - due for due, at_us in carried_out if due >= decisive_from_us(self._scenario)]
        lateness_us = np.array(decisive or self.lateness_us)
        if len(lateness_us):
            self.anchor_us = float(np.median(lateness_us))
            spread_us = float(np.abs(lateness_us - self.anchor_us).max())
        else:
            spread_us = fit.uncertainty_us(middle_us)
        drift_us = fit.rate_uncertainty * self._scenario.duration_us / 2
        uncertainty_us = int(np.ceil(spread_us + drift_us)) + identity.tick_us + 1
        separators = self.put_frames(self.reported_frames(at, identity.abilities))
        self.put_flags(at)
        trace = self._completed(
            uncertainty_us=uncertainty_us, span_uncertainty_us=identity.tick_us,
            separators_us=np.array(separators, np.int64) if separators else None, doubt=self._doubt(uncertainty_us),
        )  # fmt: skip
        self.set_arrivals(trace, arrivals, self.anchor_us)
        return trace

    def _completed(self, **columns: Any) -> Trace:
        self._stage.close()
        trace = dataclasses.replace(self._stage.trace(), how_seen=HowSeen.REPORTED, **columns)
        trace.notes.sort(key=lambda note: note.at_us)
        return trace

    def _doubt(self, uncertainty_us: int) -> str:
        """Return why the run is inconclusive; empty if it is not."""
        remote, reports = self._remote, self._reports
        lost = len(remote.sent) - len(self.lateness_us)
        limit_us = lateness_limit_us(self._profile, self._scenario)
        if any(cause == codec.POWER_ON for _, cause in reports.boots):
            return self.restarted()
        if lost:
            return f"the board did not get {lost} of {len(remote.sent)} packets that were sent over the line"
        if uncertainty_us > limit_us:
            return (
                f"host or board too slow: packet scheduling error up to {uncertainty_us / 1000:.1f} ms, "
                f"allowed for this link: {limit_us / 1000:.1f} ms"
            )
        return self.restarted()
