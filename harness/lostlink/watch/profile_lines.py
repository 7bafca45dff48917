"""Travel and centre of a handset's sticks as ``[[channels]]`` tables of a profile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from lostlink.profiles.rules import impossible
from lostlink.profiles.writer import channel_table
from lostlink.watch.columns import ValueKind
from lostlink.watch.stick_advice import Stick, fault_of
from lostlink_sims import Profile
from lostlink_sims.codes import ADC_COUNTS
from lostlink_sims.profile import Channel

_DIGITS = 4
"""Of a share of the track: a tenth of a reading."""


@dataclass(frozen=True, slots=True)
class ProfileLines:
    """Tables for a profile, or why there are none.

    Attributes
    ----------
    lines : tuple of str
        Tables of all channels; empty without a swept stick, and where the profile's reader would refuse them.
    problem : str
        Why it would refuse them; empty if it would not.
    """

    lines: tuple[str, ...] = ()
    problem: str = ""


def profile_lines(sticks: Sequence[Stick | None], profile: Profile) -> ProfileLines:
    """Return the tables of a profile's channels with what the readings of the swept sticks show.

    Channels that are no sticks, or not swept, stay as they are.
    """
    channels, notes = list(profile.channels), [""] * len(profile.channels)
    for index, stick in enumerate(sticks[: len(channels)]):
        if stick is None or stick.scale.scale.kind is not ValueKind.COUNTS:
            continue
        notes[index] = "as it was"
        if stick.is_swept and fault_of(stick) is None:
            try:
                channels[index], notes[index] = _measured(channels[index], stick)
            except ValueError as error:  # out of the limits of a setting
                return ProfileLines(problem=f"{stick.name}: {error}")
    if not any(note.startswith("reads") for note in notes):
        return ProfileLines()
    for keys, problem in impossible(replace(profile, channels=tuple(channels)), set()):
        where = channels[keys[1]].name if len(keys) > 1 and isinstance(keys[1], int) else keys[0]
        return ProfileLines(problem=f"{where}: {problem}")
    rows = (row for channel, note in zip(channels, notes, strict=True) for row in channel_table(channel, note))
    return ProfileLines(tuple(rows))


def _measured(channel: Channel, stick: Stick) -> tuple[Channel, str]:
    """Return a channel with the travel and the centre of its readings, and a comment."""
    low, high = stick.seen.ends()
    assert low is not None
    assert high is not None
    ends = _share(low.value), _share(high.value)
    is_turned = channel.travel_low > channel.travel_high
    travel_low, travel_high = reversed(ends) if is_turned else ends
    note = f"reads {low.value:g} to {high.value:g}"
    rest, centre_error = stick.seen.central_rest, channel.centre_error
    if stick.scale.is_sprung and rest is not None:
        centre_error = round((rest.mean + 0.5) / ADC_COUNTS - 0.5, _DIGITS)
        note += f", at rest {rest.mean:.1f}"
    else:
        note += "; its centre is as it was"
    return replace(channel, travel_low=travel_low, travel_high=travel_high, centre_error=centre_error), note


def _share(reading: float) -> float:
    """Return the place on the track of a reading: the middle of its step, and at a rail the end."""
    if reading <= 0 or reading >= ADC_COUNTS - 1:
        return float(reading > 0)
    return round((reading + 0.5) / ADC_COUNTS, _DIGITS)
