"""The firmware image on an emulated microcontroller, from end to end; see ``ci/emulated --help``."""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import json
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

from bench import BOARD, HERON, Score, board, prove, without_crc
from rich.console import Console
from rich.table import Table

from lostlink.profiles import read_profile
from lostlink.rigs import open_rig
from lostlink.rigs.base import Rig
from lostlink.scenarios import Flight, ScenarioBuilder
from lostlink_sims import Profile, Scenario, Trace
from lostlink_sims.scenario import AnyFault, ForeignHandset, HandsetHung, LinkCut, MainLoopHung, ReceiverReset

WATCHED_US = 1_500_000
SIGNS = {"met": "+", "not met": "X", "inconclusive": "?", "waived": "-"}
OUT = Console(width=116)
REACTION_US = 120
"""Interrupts of the image keep each other waiting."""


def build(folder: Path, mistake: str = "") -> Path:
    """Build an image, and the same sources for this computer; make prints the size of the image."""
    command = ["make", "-s", "-C", str(BOARD), f"BUILD={folder}", *([f"MISTAKE={mistake}"] if mistake else [])]
    name = mistake or "receiver"
    subprocess.run([*command, "image", "all"], check=True)
    return folder / f"{name}.elf"


def show_verdicts(image: Path, out: Path, score: Score, wanted: int) -> None:
    """Run the whole suite on an image and show its table."""
    since_s = time.monotonic()
    code, _, text = prove(out, str(HERON), "--rig", f"emulated:{image}")
    document = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
    table = Table(title=f"The whole suite on {image.name}", title_justify="left", box=None, pad_edge=False)
    for column in ("", "severity", "requirement", "measured", "limit"):
        table.add_column(column, no_wrap=not column)
    for verdict in sorted(document["verdicts"], key=lambda verdict: verdict["outcome"] != "not met"):
        sign = f"{SIGNS[verdict['outcome']]} {verdict['outcome']}"
        table.add_row(sign, verdict["severity"], verdict["id"], verdict["measured"], verdict["limit"])
    OUT.print()
    OUT.print(table)
    score(code == wanted, image.name, text, since_s)


# --- agreement ----------------------------------------------------------------------------------------------------


def after_us(trace: Trace, at_us: int, *, up: bool) -> int | None:
    """Return the time from an instant until the motors first were at rest, or turned."""
    if (trace.motor.at(at_us) > 0) is up:
        return 0
    for changed_us, value in zip(trace.motor.at_us.tolist(), trace.motor.value.tolist(), strict=True):
        if changed_us > at_us and (value > 0) is up:
            return int(changed_us - at_us)
    return None


def flag_after_us(trace: Trace, at_us: int) -> int | None:
    """Return the time from the last packet before an instant to the failsafe flag."""
    arrived = trace.packets.arrived_us
    heard_us = int(arrived[(arrived >= 0) & (arrived <= at_us + 1_000)].max())
    for changed_us, value in zip(trace.failsafe.at_us.tolist(), trace.failsafe.value.tolist(), strict=True):
        if changed_us > heard_us and value:
            return int(changed_us - heard_us)
    return None


def flights(profile: Profile) -> list[tuple[str, Scenario, Callable[[Trace], int | None]]]:
    """Return names, scenarios and measurements of the comparison."""
    flight: Flight = next(ScenarioBuilder(profile, 1, "agreement").flights(1))
    at_us = flight.at_us

    def fly(*faults: AnyFault) -> Scenario:
        return dataclasses.replace(flight.into(*faults, watch_us=WATCHED_US), frame_phase_us=1)

    def stop(trace: Trace) -> int | None:
        return after_us(trace, at_us, up=False)

    cut = fly(LinkCut(at_us=at_us))
    wrapped = dataclasses.replace(cut, receiver_clock_us=2**32 - (at_us + 250_000 - profile.receiver.boot_us))
    back_us = at_us + 700_000
    neighbour = ForeignHandset(at_us=at_us, position=0.8)
    return [
        ("link cut: last packet to failsafe", cut, lambda trace: flag_after_us(trace, at_us)),
        ("link cut: to motors at rest", cut, stop),
        ("the same while the counter wraps", wrapped, stop),
        ("gap of 400 ms: to motors at rest", fly(LinkCut(at_us=at_us, for_us=400_000)), stop),
        ("main loop hangs: to motors at rest", fly(MainLoopHung(at_us=at_us)), stop),
        ("neighbour after a cut: to motors at rest", fly(LinkCut(at_us=at_us), neighbour), stop),
        ("handset hangs: to motors at rest", fly(HandsetHung(at_us=at_us)), stop),
        ("reset with the link gone: to motors at rest", fly(LinkCut(at_us=at_us), ReceiverReset(at_us=at_us)), stop),
        (
            "link back: first packet to failsafe's end",
            fly(LinkCut(at_us=at_us, for_us=700_000)),
            lambda trace: next(
                (int(t) - back_us for t, on in zip(trace.failsafe.at_us, trace.failsafe.value, strict=True)
                 if t > back_us and not on), None,
            ),
        ),
    ]  # fmt: skip


def agreement(folder: Path, image: Path, score: Score) -> None:
    """Run the same flights on five rigs and show the measurements side by side."""
    since_s = time.monotonic()
    profile = read_profile(HERON)
    # The image's clock has no error, so the others have none either.
    profile = dataclasses.replace(profile, receiver=dataclasses.replace(profile.receiver, clock_error_ppm=0))
    rigs: list[Rig] = []
    period_us = profile.output.frame_period_us
    table = Table(title="The same flights on five rigs (ms)", title_justify="left", box=None, pad_edge=False)
    table.add_column("")
    with contextlib.ExitStack() as stack:
        port = stack.enter_context(board(folder / "board"))
        for name, words in (
            ("simulation", {}),
            ("library", {"receiver": str(folder / "receiver.so")}),
            ("image, exact", {"where": f"emulated:{image}"}),
            ("image, live", {"where": f"emulated-live:{image}"}),
            ("board, live", {"where": f"serial:{port}"}),
        ):
            rigs.append(open_rig(profile, **words))  # type: ignore[arg-type]
            stack.callback(rigs[-1].close)
            table.add_column(name, justify="right")
        table.add_column("difference", justify="right")
        good = True
        for what, scenario, measured in flights(profile):
            traces = [rig.run(scenario) for rig in rigs]
            values = [measured(trace) for trace in traces]
            shown = ["never" if value is None else f"{value / 1000:.3f}" for value in values]
            ideal, library, exact = values[:3]
            good &= ideal == library and (exact is None) == (ideal is None)
            apart_us = None if ideal is None or exact is None else exact - ideal
            # A packet that arrives at the start of a frame may miss it: then the difference is one frame.
            if apart_us is not None:
                frames = round(apart_us / period_us)
                good &= abs(apart_us - frames * period_us) <= REACTION_US and abs(frames) <= 1
            for index in (3, 4):
                live, value = traces[index], values[index]
                shown[index] = f"{shown[index]} ± {live.uncertainty_us / 1000:.1f}" if not live.doubt else "void"
                if ideal is not None and not live.doubt:
                    good &= value is not None and abs(value - ideal) <= live.uncertainty_us + period_us + REACTION_US
            table.add_row(what, *shown, "" if apart_us is None else f"{apart_us:+d} µs")
    OUT.print()
    OUT.print(table)
    OUT.print(
        "library, board: the same sources for this computer, in virtual time and behind a tty. exact: in lock-step. "
        "live: in real time, void where the host was too slow. difference: exact minus simulation. The first three are "
        "the same in every run."
    )
    score(good, "the rigs agree", "", since_s)


# --- everything ---------------------------------------------------------------------------------------------------


def mistakes(folder: Path, score: Score) -> None:
    """Check that each mistake breaks its requirement."""
    for name, wanted in tomllib.loads((BOARD / "mistakes.toml").read_text(encoding="utf-8")).items():
        since_s = time.monotonic()
        image = build(folder, name)
        profile = str(without_crc(folder) if name == "DAMAGED_OBEYED" else HERON)
        code, found, text = prove(folder / name, profile, "--rig", f"emulated:{image}", "--only", wanted)
        score(code == 1 and wanted in found.get("not met", []), name, f"{wanted}: {text}", since_s)


def main() -> int:
    """Run everything."""
    parser = argparse.ArgumentParser(prog="ci/emulated", description=__doc__)
    parser.add_argument("--install", action="store_true", help="install the emulator and the cross-compiler only")
    parser.add_argument(
        "--mistake", default="HOLDS_FOR_EVER", help="mistake whose table is shown (default: %(default)s)"
    )
    parser.add_argument("--all", action="store_true", help="test every mistake with its requirement")
    chosen = parser.parse_args()
    score, begun_s = Score(), time.monotonic()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        good, faulty = build(folder), build(folder, chosen.mistake)
        show_verdicts(good, folder / "good", score, 0)
        show_verdicts(faulty, folder / "faulty", score, 1)
        agreement(folder, good, score)
        if chosen.all:
            mistakes(folder, score)
    OUT.print(f"total: {time.monotonic() - begun_s:.0f} s")
    return min(score.wrong, 1)


if __name__ == "__main__":
    sys.exit(main())
