"""The driver makes the calls of a compiled handset as Python does: the same packets, and the same number of calls."""

from __future__ import annotations

import dataclasses
import random
from array import array
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from handset_links import LINKS, trouble  # type: ignore[import-not-found]
from lostlink.profiles.header import c_header
from lostlink.rigs import firmware, native
from lostlink_sims import Profile, Scenario, simulate
from lostlink_sims.handset_program import HandsetFactory
from lostlink_sims.profile import air_time_us

BOARD: Final = Path(__file__).parents[2] / "fixtures" / "board"
DRIVER, HANDSET_DRIVER = (Path(native.__file__).with_name(name) for name in ("driver.c", "handset_driver.c"))
LONG = pytest.mark.long
GATE = "heron", "dunlin", "timer", "acknowledged", "addressed", "battery", "calibrated"
ODD: Final = """
#include "handset.h"
/* A handset that sends from everywhere, wants turns at odd times, and gives payloads of odd lengths. */
struct odd { uint32_t calls; uint8_t last, results; };
static uint8_t some(struct odd *o, uint8_t *payload)
{
    uint32_t n = o->calls++ * 2654435761u >> 27;
    for (uint8_t k = 0; k < n; k++)
        payload[k] = (uint8_t)(o->calls + k + o->last + o->results);
    return (uint8_t)n;
}
void handset_power_on(void *memory, uint32_t clock_us, uint8_t cause)
{
    ((struct odd *)memory)->calls = clock_us + cause;
}
bool handset_turn(void *memory, uint32_t clock_us, const uint16_t *readings, const uint8_t *switches,
                  uint32_t *wanted_us)
{
    struct odd *o = memory;
    o->last = (uint8_t)(readings[0] + readings[1] * 3 + switches[0] * 7);
    if (!(o->calls % 11))
        return false;
    *wanted_us = clock_us + o->calls % 5 * 1000 - o->calls / 8 % 2;
    return true;
}
uint8_t handset_packet(void *memory, uint32_t clock_us, uint8_t *payload, uint8_t room)
{
    struct odd *o = memory;
    (void)room;
    return (o->calls + clock_us) % 3 ? some(o, payload) : (o->calls++, 0);
}
uint8_t handset_interrupt(void *memory, uint32_t clock_us, uint8_t *payload, uint8_t room)
{
    (void)room;
    return (clock_us + ((struct odd *)memory)->results) % 2 ? some(memory, payload) : 0;
}
void handset_sent(void *memory, uint32_t clock_us, uint8_t result)
{
    struct odd *o = memory;
    o->results = (uint8_t)(o->results * 5 + result + clock_us % 2);
}
uint8_t handset_radio(void *memory, uint32_t clock_us, uint8_t *address, uint8_t room)
{
    struct odd *o = memory;
    const uint8_t own[] = LINK_ADDRESS;
    (void)room;
    if ((o->calls + clock_us) % 4)
        return 0;
    for (uint8_t k = 0; k < sizeof own; k++)
        address[k] = (uint8_t)(own[k] + (o->calls % 8 == 0));
    return sizeof own;
}
uint8_t handset_alarm(void *memory, uint32_t clock_us)
{
    (void)clock_us;
    return ((struct odd *)memory)->calls / 32 % 2;
}
uint32_t handset_interface(void)
{
    return HANDSET_INTERFACE;
}
"""


class Program:
    """A handset's library, and memory for its calls."""

    def __init__(self, library: Path, folder: Path, driver: native.Driver) -> None:
        self.words = array("q", [0, -1])
        self.image = firmware.Image(library, str(folder), firmware.HANDSET)
        self.driver = driver

    def flown(self, link: Profile, scenario: Scenario, *, driven: bool, stop_at: int = 0) -> list[Any]:
        """Return everything that a run gives, the alarms and a crash included, and the number of calls."""
        self.words[0], self.words[1] = 0, -1
        watch = firmware.Watch(memoryview(self.words), stop_at, "it stops here")
        factory: HandsetFactory = firmware.handset_factory(self.image, watch)
        if driven:
            factory = native.driven_factory(self.image, watch, self.driver)
        trace = simulate(link, scenario, handset=factory)
        lengths = None if trace.payload_lengths is None else trace.payload_lengths.tolist()
        packets, warned = trace.packets, trace.alarm
        alarm = None if warned is None else (warned.at_us.tolist(), warned.value.tolist())
        return [
            packets.left_us.tolist(), packets.payload.tolist(), lengths, alarm,
            trace.crash, [*trace.notes], *self.words,
        ]  # fmt: skip


@pytest.fixture(scope="module")
def driver(tools: None, tmp_path_factory: pytest.TempPathFactory) -> native.Driver:
    return native.Driver(native.compiled_driver(), str(tmp_path_factory.mktemp("driver")))


def odd_handset(compile_c: Callable[..., Path], folder: Path, link: Profile, text: str = ODD) -> Path:
    """Return the odd handset for a link, as a library."""
    (folder / "link.h").write_text(c_header(link))
    (folder / "odd.c").write_text('#include "link.h"\n' + text)
    return compile_c(f"odd-{folder.name}.so", "-shared", "-fPIC", "-I", BOARD, "-I", folder, folder / "odd.c")


def named(link: str) -> Profile:
    """Return a link with a name that can be a folder's."""
    return dataclasses.replace(LINKS[link], name=link.replace(" ", "-").replace(",", ""))  # type: ignore[no-any-return]


def tied() -> Profile:
    """Return a link on which timer, ends of turns, results and faults come at the same instants."""
    link = named("addressed, timer")
    handset = dataclasses.replace(
        link.handset, turn_us=1000, packet_interval_us=4000, clock_error_ppm=0, adc_noise_counts=0, boot_us=4000
    )
    tied = dataclasses.replace(link, name="tied", handset=handset)
    settle_us = 1000 - air_time_us(link.radio, link.payload_bytes)
    return dataclasses.replace(tied, radio=dataclasses.replace(link.radio, settle_us=settle_us))


def differs(program: Program, link: Profile, seed: str, runs: int = 8) -> tuple[bool, int]:
    """Return whether a run by the driver is another one than by calls of Python, and how many packets there were."""
    rng, sent = random.Random(seed), 0
    for _ in range(runs):
        scenario = trouble(link, rng, 1_500_000)
        if link.name == "tied":
            faults = [dataclasses.replace(fault, at_us=fault.at_us // 1000 * 1000) for fault in scenario.faults]
            scenario = dataclasses.replace(scenario, faults=tuple(faults), packet_phase_us=0)
        expected = program.flown(link, scenario, driven=False)
        calls = expected[-2]
        for stop_at in (0, rng.randrange(1, calls + 1), calls):
            known = program.flown(link, scenario, driven=False, stop_at=stop_at) if stop_at else expected
            if program.flown(link, scenario, driven=True, stop_at=stop_at) != known:
                return True, sent
        sent += len(expected[0])
    return False, sent


@pytest.mark.parametrize(
    "link", ["tied", *(pytest.param(name, marks=[] if name in GATE else [LONG]) for name in LINKS)]
)
def test_the_same_packets_and_calls(
    make: Callable[..., Path], compile_c: Callable[..., Path], driver: native.Driver, tmp_path: Path, link: str
) -> None:
    """Of the example and of an odd program, with random faults; also of runs that end at a call."""
    profile = tied() if link == "tied" else named(link)
    for library in (make("handset.so", profile=profile), odd_handset(compile_c, tmp_path, profile)):
        program = Program(library, tmp_path, driver)
        is_other, sent = differs(program, profile, f"{link} driven")
        assert not is_other
        assert sent > 100


CHANGES: Final = {
    "if (now_us == h->result_us)": "if (now_us == h->result_us && now_us != h->timer_us)",
    "else if (now_us == h->timer_us)": "else if (now_us == h->timer_us && now_us != h->packet_us)",
    "if (now_us >= h->until_us)": "if (now_us > h->until_us)",
    "h->now_us < h->free_us": "h->now_us <= h->free_us",
    "h->now_us + h->refusal_us": "h->now_us + h->refusal_us + 1",
    "h->turn_us = larger(larger(h->now_us + 1, h->packet_us)": "h->turn_us = larger(larger(h->now_us, h->packet_us)",
    "k * FETCHED + h->sweep": "k * FETCHED + h->sweep / 2",
    "if (alarm != h->last_alarm)": "if (alarm > h->last_alarm)",
    "if (h->answers) {": "{",
}
"""Lines of the driver in which a microsecond, the order at one instant or a rule would be another one."""


@pytest.mark.parametrize("line", CHANGES)
def test_another_rule_in_the_driver_is_seen(
    make: Callable[..., Path], compile_c: Callable[..., Path], tmp_path: Path, line: str
) -> None:
    """Each change is another packet, another instant, or another number of calls, of some run."""
    text = HANDSET_DRIVER.read_text(encoding="utf-8")
    assert text.count(line) == 1
    (tmp_path / "other.c").write_text(text.replace(line, CHANGES[line]), encoding="utf-8")
    other = compile_c(
        "other.so", "-O2", "-shared", "-fPIC", "-I", DRIVER.parent, tmp_path / "other.c", DRIVER
    ).read_bytes()
    changed = native.Driver(other, str(tmp_path))
    plain = map(named, ("addressed, timer", "margins, fast timer", "calibrated", "battery", "at once", "acknowledged"))
    for profile in (tied(), *plain):
        folder = tmp_path / profile.name
        folder.mkdir()
        for library in (make("handset.so", profile=profile), odd_handset(compile_c, folder, profile)):
            if differs(Program(library, folder, changed), profile, f"{profile.name} {line}", 4)[0]:
                return
    pytest.fail("no run shows it")


@pytest.mark.parametrize(
    ("line", "change", "said"),
    [
        ("return (uint8_t)n;", "return (uint8_t)(o->calls > 5 ? 40 : n);", "() returns 40 bytes"),
        ("return sizeof own;", "return o->calls > 5 ? 2 : sizeof own;", "an address of 2 bytes"),
        ("*wanted_us = clock_us + o->calls % 5 * 1000 - o->calls / 8 % 2;", "*wanted_us = clock_us;", "at once"),
    ],
)
def test_an_answer_that_ends_the_program(
    compile_c: Callable[..., Path], driver: native.Driver, tmp_path: Path, line: str, change: str, said: str
) -> None:
    """The same text, at the same instant, after the same packets."""
    assert ODD.count(line) == 1
    link = named("addressed, timer" if "address" in said else "timer")
    text = ODD.replace(line, change).replace("if (!(o->calls % 11))", "if (false)")
    if said == "at once":
        link = named("at once")
        text = text.replace("return (o->calls + clock_us) % 3 ? some(o, payload) : (o->calls++, 0);", "return 0;")
        text = text.replace(
            "    struct odd *o = memory;\n    (void)room;\n    return 0;",
            "    (void)memory, (void)clock_us, (void)payload, (void)room;\n    return 0;",
        )
    program = Program(odd_handset(compile_c, tmp_path, link, text), tmp_path, driver)
    scenario = Scenario(duration_us=2_000_000, seed=3, ambient=True)
    expected = program.flown(link, scenario, driven=False)
    assert said in str(expected[4])
    assert program.flown(link, scenario, driven=True) == expected
