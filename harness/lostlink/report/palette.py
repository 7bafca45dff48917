"""Colours of reports, in a light and a dark set.

Text has a contrast of at least 4.5, lines and marks one of at least 3 against their background (WCAG 2.2, 1.4.3 and
1.4.11). Colours that must be distinguished remain so for dichromats. ``tests/harness/test_report.py`` computes both.
Every colour is accompanied by a sign, a word, a hatch or a line style.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """One set of colours, as ``#rrggbb``.

    Attributes
    ----------
    ground, card, line : str
        Background of the page, of panels, and hairlines.
    ink, quiet : str
        Text, and secondary text.
    good, bad, doubt, none : str
        Met; not met; inconclusive; not tested or waived.
    throttle, arm, other : str
        Channels.
    received, lost, pulses, motor : str
        Lanes of a timeline.
    limit, mark, band : str
        Limits; the moment of link loss; the uncertainty around the moment judged.
    focus : str
        The ring around the focused element.
    """

    ground: str
    card: str
    line: str
    ink: str
    quiet: str
    good: str
    bad: str
    doubt: str
    none: str
    throttle: str
    arm: str
    other: str
    received: str
    lost: str
    pulses: str
    motor: str
    limit: str
    mark: str
    band: str
    focus: str

    def as_css(self) -> str:
        """Return custom properties, a line each."""
        return "\n".join(f"  --{field.name}: {getattr(self, field.name)};" for field in fields(self))


LIGHT: Final = Palette(
    ground="#f5f6f4", card="#ffffff", line="#d3d8d6", ink="#16211f", quiet="#50605d",
    good="#0b6b58", bad="#b3261e", doubt="#8a5a00", none="#50605d",
    throttle="#0f5fa8", arm="#a04a00", other="#66736f",
    received="#2f7f9e", lost="#b3261e", pulses="#44524f", motor="#7a3d8f",
    limit="#b3261e", mark="#16211f", band="#c98a00", focus="#0f5fa8",
)  # fmt: skip

DARK: Final = Palette(
    ground="#101615", card="#18201f", line="#34403d", ink="#e8eeec", quiet="#a3b2ae",
    good="#5ccdb0", bad="#ff8f82", doubt="#f0b64b", none="#a3b2ae",
    throttle="#6db6f5", arm="#f2a05c", other="#93a39f",
    received="#63b3d1", lost="#ff8f82", pulses="#b7c4c1", motor="#cf9ae0",
    limit="#ff8f82", mark="#e8eeec", band="#f0b64b", focus="#8cc8ff",
)  # fmt: skip
