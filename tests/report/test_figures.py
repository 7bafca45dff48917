"""The template of the timelines is drawn once and kept, by all that it depends on."""

from __future__ import annotations

from pathlib import Path

import pytest

from lostlink.report import figures

ROLES = ("", "throttle", "arm")

pytestmark = pytest.mark.skipif(figures.plotting() is None, reason="the plotting library is not installed")


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, ...]]:
    """Return the templates that are drawn from now on; begin with nothing remembered."""
    draw, calls = figures._timeline_template, list[tuple[str, ...]]()

    def counted(roles: tuple[str, ...], *, on_air: bool) -> str:
        calls.append(roles)
        return draw(roles, on_air=on_air)

    monkeypatch.setattr(figures, "_timeline_template", counted)
    monkeypatch.setattr(figures, "timeline_template", figures.timeline_template.__wrapped__)
    return calls


def test_the_template_is_drawn_once(
    drawn: list[tuple[str, ...]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    texts = [figures.timeline_template(ROLES) for _ in range(2)]
    assert texts[0] == texts[1] == figures._timeline_template(ROLES, on_air=True)
    assert len(drawn) == 2  # once by the template, once by this test
    figures.timeline_template(("throttle",))
    assert len(drawn) == 3
    assert len(list((tmp_path / "lostlink").iterdir())) == 2


def test_a_cache_that_cannot_be_used_changes_nothing(
    drawn: list[tuple[str, ...]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "file"
    file.touch()
    monkeypatch.setenv("XDG_CACHE_HOME", str(file))
    assert figures.timeline_template(ROLES).startswith('{"target_id"')
    assert len(drawn) == 1
    assert file.read_bytes() == b""
