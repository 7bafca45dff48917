"""A link whose packets have more channels than its frames, and receivers that read the wrong bytes."""

from __future__ import annotations

import dataclasses

from lostlink_sims import Profile, ReferenceReceiver


def with_wide_packets(profile: Profile, packet_channels: int = 20) -> Profile:
    """Return the link with its channels last in a wide packet, in reverse."""
    channels = tuple(
        dataclasses.replace(channel, packet_byte=packet_channels - 1 - index)
        for index, channel in enumerate(profile.channels)
    )
    handset = dataclasses.replace(profile.handset, packet_channels=packet_channels)
    return dataclasses.replace(profile, name=f"{profile.name}-wide", handset=handset, channels=channels)


class ReadsInOrder(ReferenceReceiver):
    """Puts out the first bytes of a packet."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self._bytes_at = None


class SwapsTwoBytes(ReferenceReceiver):
    """Has the first two channels the wrong way round."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        first, second, *rest = profile.packet_bytes
        self._bytes_at = (second, first, *rest)


class CounterInItsPlaceWithoutMore(ReferenceReceiver):
    """Looks for link id and counter behind the channels that it puts out."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self._id_at, self._counter_at = len(profile.channels), len(profile.channels) + 1
