"""A recorded pulse train as a picture of characters."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from lostlink.captures.events import Silence, SteadyKind, wrong_count
from lostlink.captures.judging import Findings
from lostlink.captures.signals import PS_PER_US, Capture
from lostlink.captures.train import PulseTrain
from lostlink_sims import Profile

_BLOCKS = 60
_LEVELS = "▁▂▃▄▅▆▇█"
_LOW_US, _HIGH_US = 1000, 2000


def clock_time(capture: Capture, at_ps: int) -> str:
    """Return an instant on the time axis of the capture's file."""
    return f"{(at_ps + capture.origin_ps) / 1e12:.6f} s"


def names(train: PulseTrain, profile: Profile | None) -> list[str]:
    """Return the names of the channels: the profile's, or their numbers."""
    known = [channel.name for channel in profile.channels] if profile else []
    return [known[index] if index < len(known) else f"channel {index + 1}" for index in range(train.channels)]


def picture(capture: Capture, findings: Findings, profile: Profile | None) -> list[str]:
    """Return rows over the whole capture: pulses, the level of each channel, marks, times."""
    train = findings.train
    bounds_ps = np.linspace(0, max(1, train.end_ps), _BLOCKS + 1)
    start_ps = train.good_start_ps
    first, last = np.searchsorted(start_ps, (bounds_ps[:-1], bounds_ps[1:]))
    pulses = [_pulse_sign(findings.silences, low, high) for low, high in itertools.pairwise(bounds_ps.tolist())]
    width = max(map(len, ["pulses", *names(train, profile)]))
    rows = [f"{'pulses':<{width}} {''.join(pulses)}"]
    for index, name in enumerate(names(train, profile)):
        column = train.widths_ps[:, index] / PS_PER_US
        levels = "".join(
            " " if pulse == " " or not high else _level(float(column[min(low, high - 1) : high].max()))
            for low, high, pulse in zip(first.tolist(), last.tolist(), pulses, strict=True)
        )
        rows.append(f"{name:<{width}} {levels}")
    rows.append(f"{'marks':<{width}} {''.join(_marks(findings, bounds_ps.tolist()))}")
    begin, end, half = clock_time(capture, 0), clock_time(capture, train.end_ps), _BLOCKS // 2
    return [*rows, f"{'':<{width}} {begin:<{half}}{end:>{half}}"]


def _pulse_sign(silences: list[Silence], low_ps: float, high_ps: float) -> str:
    missing = sum(max(0.0, min(high_ps, silence.until_ps) - max(low_ps, silence.from_ps)) for silence in silences)
    return "█" if not missing else " " if missing > 0.98 * (high_ps - low_ps) else "▒"


def _level(width_us: float) -> str:
    share = (width_us - _LOW_US) / (_HIGH_US - _LOW_US)
    return _LEVELS[min(len(_LEVELS) - 1, max(0, int(share * len(_LEVELS))))]


def _marks(findings: Findings, bounds_ps: list[float]) -> Iterator[str]:
    glitches_ps, frames = findings.train.glitches_ps, findings.train.frames
    broken_ps = frames.start_ps[wrong_count(findings.train)]
    signs = [
        "F" if steady in findings.failsafes else "f" if steady.kind is SteadyKind.PRESET else "?"
        for steady in findings.steady_states
    ]
    for low, high in itertools.pairwise(bounds_ps):
        if ((broken_ps >= low) & (broken_ps < high)).any():
            yield "x"
        elif ((glitches_ps >= low) & (glitches_ps < high)).any():
            yield "g"
        else:
            states = zip(signs, findings.steady_states, strict=True)
            inside = {sign for sign, steady in states if steady.from_ps < high and steady.until_ps > low}
            yield next((sign for sign in "F?f" if sign in inside), "·")


_LEGEND = {
    "F": "F failsafe values after a jump",
    "f": "f failsafe values, or sticks at rest there",
    "?": "? channels jumped together",
    "x": "x wrong number of pulses",
    "g": "g glitch",
}


def legend(rows: list[str]) -> str:
    """Return the meaning of the signs in the picture."""
    marks = rows[-2].split(" ", 1)[1]
    entries = [text for sign, text in _LEGEND.items() if sign in marks]
    return "   ".join(["▁ 1000 µs", "█ 2000 µs", *entries])
