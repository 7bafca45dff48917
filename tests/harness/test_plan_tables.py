"""Tables of plans on terminals of usual widths: every cell is whole, and no line is longer than the terminal."""

from __future__ import annotations

import contextlib
import io
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from channels import in_bursts
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from lostlink.cli import main
from lostlink.planning.wording import rate_text, short_text
from lostlink.show import console
from lostlink.show import plan as screen

FIXTURES = Path(__file__).parents[2] / "fixtures"
PROFILES = sorted(path.stem for path in (FIXTURES / "profiles").glob("*.toml"))
WIDTHS = (80, 100, 120)
WIDE = 400
LONG = pytest.mark.long


def screens(monkeypatch: pytest.MonkeyPatch, *words: object) -> dict[int, str]:
    """Return what a command shows on terminals of some widths; it calculates once."""
    calls: list[Callable[[], None]] = []
    for name in screen.__all__:
        monkeypatch.setattr(screen, name, partial(lambda show, *a, **k: calls.append(partial(show, *a, **k)),
                                                  getattr(screen, name)))  # fmt: skip
    run = CliRunner().invoke(main, ["plan", *map(str, words)])
    assert run.exit_code == 0, run.output
    found = {}
    for width in (*WIDTHS, WIDE):
        monkeypatch.setattr(console, "_WIDTH_WITHOUT_TERMINAL", width)
        with contextlib.redirect_stdout(io.StringIO()) as text:
            calls[0]()
        found[width] = text.getvalue()
    return found


def hold_whole(found: dict[int, str], heading: str) -> None:
    """Hold every word of a screen against those of a very wide one: wrapped at words, none is cut off or divided."""
    for width in WIDTHS:
        assert "…" not in found[width]
        assert Counter(found[width].split()) == Counter(found[WIDE].split())
        lines = found[width].splitlines()
        begin = next(number for number, line in enumerate(lines) if line.lstrip().startswith(heading))
        table = [line for line in lines[begin:] if ":" not in line]  # the terminal wraps the explanations
        rows = table[: next((number for number, line in enumerate(table) if not line.strip()), None)]
        assert len(rows) > 4
        assert max(map(len, rows)) <= width


@pytest.mark.parametrize("name", ["plover", *(pytest.param(name, marks=LONG) for name in PROFILES if name != "plover")])
@pytest.mark.parametrize(("kind", "heading"), [("timeout", "timeout"), ("range", "distance"), ("latency", "stage")])
def test_a_shipped_profile(name: str, kind: str, heading: str, monkeypatch: pytest.MonkeyPatch) -> None:
    hold_whole(screens(monkeypatch, kind, FIXTURES / "profiles" / f"{name}.toml"), heading)


def test_a_fitted_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All four models, the longest names."""
    log = tmp_path / "log.csv"
    lost = in_bursts(np.random.default_rng(5), 4000, 0.01, 0.1, 0.0, 0.7)
    log.write_text("\n".join(["lost", *np.where(lost, "1", "0").tolist(), ""]), encoding="utf-8")
    hold_whole(screens(monkeypatch, "fit", log), "model")


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(2090.0, 3, "2090"), (4.28e-6, 3, "4.28e-6"), (1.6e-120, 2, "1.6e-120"), (130.4, 2, "130"), (3e7, 2, "3e7"),
     (0.0, 3, "0"), (0.00084, 2, "0.00084")],
)  # fmt: skip
def test_short_numbers(value: float, digits: int, text: str) -> None:
    assert short_text(value, digits) == text
    assert float(text) == pytest.approx(value, rel=0.5 * 10 ** (1 - digits))


@given(st.floats(0, 1e12))
def test_a_rate_is_never_shown_smaller_than_it_is(per_hour: float) -> None:
    """Below the smallest rate shown it is a bound; above, three digits."""
    text = rate_text(per_hour)
    if text.startswith("<"):
        assert per_hour < float(text[1:])
    else:
        assert float(text) == pytest.approx(per_hour, rel=5e-3)
