"""A trace as files that other programs open: CSV of events, VCD of wires (IEEE 1364), TOML of the scenario."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
from vcd import VCDWriter

from lostlink.measure.failsafe import throttle_pulses
from lostlink.profiles import write_scenario
from lostlink_sims import Trace
from lostlink_sims.trace import NOT_YET


def save_run(trace: Trace, folder: Path, name: str) -> None:
    """Write `name`.csv, `name`.vcd and `name`.scenario.toml into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.csv").write_text(csv_text(trace), encoding="utf-8")
    (folder / f"{name}.vcd").write_text(vcd_text(trace), encoding="ascii")
    (folder / f"{name}.scenario.toml").write_text(write_scenario(trace.scenario), encoding="utf-8")


def csv_text(trace: Trace) -> str:
    """Return all events in order of time.

    Columns: ``at_us``; ``event``; ``value``; ``detail``. Events: ``packet left`` (value: slot; detail: its fate),
    ``packet arrived`` (value: slot; detail: payload in hex), ``foreign packet``, ``frame`` (value: channels;
    detail: widths in µs), ``failsafe flag``, ``motor command`` (0..1000), ``arming`` and ``note``.
    """
    rows: list[tuple[int, str, int, str]] = []
    packets = trace.packets
    payload = [row.tobytes().hex() for row in packets.payload]
    for slot, (left_us, arrived_us, fate) in enumerate(
        zip(packets.left_us.tolist(), packets.arrived_us.tolist(), packets.fate.tolist(), strict=True)
    ):
        rows.append((left_us, "packet left", slot, trace.fates[fate]))
        if arrived_us != NOT_YET:
            rows.append((arrived_us, "packet arrived", slot, payload[slot]))
    rows += [(at_us, "foreign packet", 1, "") for at_us in trace.foreign_us.tolist()]
    ends = np.cumsum(trace.frames.count).tolist()
    widths = trace.frames.widths_us.tolist()
    for start_us, count, end in zip(trace.frames.start_us.tolist(), trace.frames.count.tolist(), ends, strict=True):
        rows.append((start_us, "frame", count, " ".join(map(str, widths[end - count : end]))))
    for name, steps in (("failsafe flag", trace.failsafe), ("motor command", trace.motor), ("arming", trace.arming)):
        rows += [(at, name, value, "") for at, value in zip(steps.at_us.tolist(), steps.value.tolist(), strict=True)]
    rows += [(note.at_us, "note", 0, note.text) for note in trace.notes]
    rows.sort(key=lambda row: row[0])
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("at_us", "event", "value", "detail"))
    writer.writerows(rows)
    return text.getvalue()


def vcd_text(trace: Trace) -> str:
    """Return the wires of a run: the pulse train, packets, failsafe flag, throttle width, motor command.

    A packet is a mark on ``packet_received`` or ``packet_lost`` that lasts 100 µs.
    """
    text = io.StringIO()
    at_us, level = trace.edges
    rest = 0 if trace.profile.output.polarity == "positive" else 1
    with VCDWriter(text, timescale="1 us", date="", comment=f"lostlink, scenario {trace.scenario.name!a}") as writer:
        wires = {
            "ppm": writer.register_var("link", "ppm", "wire", size=1, init=rest),
            "received": writer.register_var("link", "packet_received", "wire", size=1, init=0),
            "lost": writer.register_var("link", "packet_lost", "wire", size=1, init=0),
            "failsafe": writer.register_var("link", "failsafe", "wire", size=1, init=1),
            "throttle": writer.register_var("link", "throttle_us", "integer", size=16, init=0),
            "motor": writer.register_var("link", "motor_command", "integer", size=16, init=0),
        }
        events: list[tuple[int, str, int]] = [
            (at, "ppm", value) for at, value in zip(at_us.tolist(), level.tolist(), strict=True)
        ]
        lost = trace.packets.lost
        for name, instants in (("received", trace.packets.arrived_us[~lost]), ("lost", trace.packets.left_us[lost])):
            events += [event for at in instants.tolist() for event in ((at, name, 1), (at + 100, name, 0))]
        ends_us, width_us = throttle_pulses(trace)
        events += [(at, "throttle", width) for at, width in zip(ends_us.tolist(), width_us.tolist(), strict=True)]
        for name, steps in (("failsafe", trace.failsafe), ("motor", trace.motor)):
            events += [(at, name, value) for at, value in zip(steps.at_us.tolist(), steps.value.tolist(), strict=True)]
        for at, name, value in sorted(events, key=lambda event: event[0]):
            if at <= trace.scenario.duration_us:
                writer.change(wires[name], at, value)
        writer.close(trace.scenario.duration_us)
    return text.getvalue()
