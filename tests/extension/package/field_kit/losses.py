"""A loss model of our own: pure data with a sampler, its settings declared once."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from lostlink_sims import setting
from lostlink_sims.air.loss import Fates, OnAir, Sampler, Tile
from lostlink_sims.streams import threshold, under


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeLine:
    """The model circles and is behind the trees for a part of each lap, from a drawn place on."""

    model: ClassVar[str] = "tree line"
    lap_us: int = setting(10_000_000, "Time for a lap.", "duration", least=100_000, most=600_000_000)
    behind: float = setting(0.2, "Share of a lap behind the trees.", "share", least=0, most=1)
    loss: float = setting(0.5, "Share of packets lost there.", "share", least=0, most=1)

    def sampler(self, air: OnAir) -> Sampler:
        start_us = air.once(0, self.lap_us)  # one number for the whole trial
        limit = threshold(self.loss)

        def sample(tile: Tile) -> Fates:
            place_us = (tile.sent_us + start_us) % self.lap_us
            lost = (place_us < round(self.behind * self.lap_us)) & under(air.words(tile), limit)
            return lost.astype(np.uint8)

        return sample
