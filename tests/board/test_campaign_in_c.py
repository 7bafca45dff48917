"""Campaigns of compiled firmware: many trials in one process, by the driver or by calls of Python, as one by one."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board.conftest import BOARD, run
from click.testing import CliRunner
from faulty.links import LINKS
from harness.test_campaign_flown import as_dicts

from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.measuring import measured
from lostlink.campaigns.tally import Rows, Tally
from lostlink.campaigns.trials import COMPILED, ONE_BY_ONE, TrialRange, engine_for, fly, run_each
from lostlink.cli import main
from lostlink.rigs import own_process
from lostlink.rigs.native import compiler
from lostlink.rigs.own_process import OwnProcessRig
from lostlink_sims.batch.trials import FlightTrials

Make = Callable[..., Path]
Compile = Callable[..., Path]
LONG = pytest.mark.long

TROUBLE = """
#define receiver_power_on sound_power_on
#define receiver_packet sound_packet
#include "receiver.h"
RECEIVER_API void sound_power_on(void *m, uint32_t t);
RECEIVER_API void sound_packet(void *m, uint32_t t, const uint8_t *p, uint8_t n);
#include "receiver.c"
#undef receiver_power_on
#undef receiver_packet
#include <stdlib.h>
#include <unistd.h>
static bool is_bad;
static int packets;
RECEIVER_API void receiver_power_on(void *m, uint32_t t);
RECEIVER_API void receiver_packet(void *m, uint32_t t, const uint8_t *p, uint8_t n);
void receiver_power_on(void *m, uint32_t t) { is_bad = BAD(t); sound_power_on(m, t); }
void receiver_packet(void *m, uint32_t t, const uint8_t *p, uint8_t n)
{ if (++packets == 200 && is_bad) { DOES; } sound_packet(m, t, p, n); }
"""


def rows(rig: OwnProcessRig, flights: FlightTrials, first: int, count: int) -> list[dict[str, int]]:
    flown = rig.fly_trials(flights, first, count)
    return as_dicts(Rows.joined(measured(flights, np.arange(first, first + count), flights.drawn(first, count), flown)))


@pytest.mark.parametrize(
    "name",
    ["heron", *(pytest.param(name, marks=LONG) for name in ("wren", "acknowledged", "jitter and loss", "plover"))],
)
def test_together_and_one_by_one(make: Make, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the driver, without it, and each trial by itself, from its scenario."""
    link = LINKS[name]
    flights, library = (
        flight_trials(link, 7),
        str(make("REMEMBERS_IN_STATICS.so", mistake="REMEMBERS_IN_STATICS", profile=link)),
    )
    with OwnProcessRig(link, library) as rig:
        alone = as_dicts(run_each(flights, rig.run, np.arange(30, 50)))
        assert rows(rig, flights, 30, 20) == alone
        assert rig.runs == 40
    assert len({row["cut_us"] for row in alone}) > 10
    monkeypatch.setattr(compiler, "_driver", [b""])
    with OwnProcessRig(link, library) as rig:
        assert rows(rig, flights, 30, 20) == alone


DOES = {
    "dies": "abort()", "loops": "for (;;) ;", "exits": "_exit(0)",
    "closes files": "for (int number = 0; number < 40; number++) close(number)",
}  # fmt: skip


@pytest.mark.parametrize("does", ["dies", *(pytest.param(name, marks=LONG) for name in list(DOES)[1:])])
def test_firmware_that_stops_in_some_trials(
    compile_c: Compile, tmp_path: Path, does: str, long: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others count as ever; ``--long``: also after the first trial and before the last."""
    monkeypatch.setattr(own_process, "PATIENCE_S", 1.0)
    flights = flight_trials(LINKS["heron"], 7)
    clock = flights.drawn(0, 8).clock_us.tolist()
    bad = [clock[0], clock[4], clock[7]] if long else [clock[4]]
    condition = "-DBAD(t)=(" + "||".join(f"(t)=={one}u" for one in bad) + ")"
    (tmp_path / "trouble.c").write_text(TROUBLE, encoding="ascii")
    flags = ["-O2", "-shared", "-fPIC", "-fvisibility=hidden", "-include", BOARD / "link.h", f"-DDOES={DOES[does]}"]
    library = compile_c("stops.so", *flags, condition, tmp_path / "trouble.c")
    with OwnProcessRig(LINKS["heron"], str(library)) as rig:
        got = rows(rig, flights, 0, 8)
    assert [row["crashed"] for row in got] == [int(one in bad) for one in clock]
    sound = compile_c("never_stops.so", *flags, "-DBAD(t)=(t)*0", tmp_path / "trouble.c")
    with OwnProcessRig(LINKS["heron"], str(sound)) as rig:
        expected = rows(rig, flights, 0, 8)
    others = [index for index in range(8) if clock[index] not in bad]
    assert [got[index] for index in others] == [expected[index] for index in others]


def test_jobs_of_any_size(make: Make, tmp_path: Path) -> None:
    """The same counts; a process is kept between them, and a file that was built again is loaded again."""
    flights, library = flight_trials(LINKS["heron"], 7), tmp_path / "mine.so"
    shutil.copy(make("receiver.so"), library)
    assert engine_for(flights, str(library))[0] == COMPILED
    assert engine_for(flight_trials(LINKS["bittern"], 7), str(library))[0] == ONE_BY_ONE
    whole = fly(TrialRange(flights, str(library), 5, 100))
    (kept,) = own_process._idle.values()
    parts = [fly(TrialRange(flights, str(library), first, count)) for first, count in ((5, 65), (70, 1), (71, 34))]
    assert list(own_process._idle.values()) == [kept]
    assert Tally.merged(parts).as_dict() == whole.as_dict()
    os.replace(shutil.copy(make("CUTS_LATE.so", mistake="CUTS_LATE"), tmp_path / "other.so"), library)
    assert fly(TrialRange(flights, str(library), 5, 100)).as_dict() != whole.as_dict()
    own_process.end_idle()


@LONG
def test_a_campaign_for_any_number_of_processes(make: Make, tmp_path: Path) -> None:
    """The same evidence; the driver is built once; no process is left."""
    library, before = make("receiver.so"), children()
    words = ["campaign", "fixtures/profiles/heron.toml", "--receiver", str(library), "--trials", "600", "--quiet"]
    done = CliRunner().invoke(main, [*words, "--jobs", "1", "--out", str(tmp_path / "1")])
    assert done.exit_code == 0, done.output
    assert children() <= before
    counted, log = tmp_path / "counted", tmp_path / "log"
    counted.write_text(f'#!/bin/sh\necho once >> {log}\nexec cc "$@"\n', encoding="ascii")
    counted.chmod(0o755)
    command = [sys.executable, "-m", "lostlink", *words, "--jobs", "2", "--out", str(tmp_path / "2")]
    run("env", f"CC={counted}", *command)
    assert log.read_text(encoding="ascii") == "once\n"
    for name in ("campaign.json", "tallies.jsonl"):
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes()


def children() -> set[str]:
    """Return the ids of processes that this one has started and that are still there; nothing where unknown."""
    try:
        return set(Path(f"/proc/self/task/{os.getpid()}/children").read_text().split())
    except OSError:
        return set()
