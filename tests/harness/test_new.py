"""``lostlink new``: facts from options or answers, a profile that says them and that can be proven."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from lostlink.cli import main
from lostlink.profiles import read_profile


def new(path: Path, *words: str, answers: str | None = None) -> Result:
    return CliRunner().invoke(main, ["new", str(path), *words], input=answers)


def test_options(tmp_path: Path) -> None:
    path = tmp_path / "boat.toml"
    done = new(
        path, "--packet-interval", "100 Hz", "--timeout", "300 ms", "--frame-period", "20 ms",
        "--channels", "roll, throttle, gear/2, mode/3", "--arm", "gear", "--throttle-failsafe", "980 us",
        "--no-counter", "--link-id", "none", "--no-check-byte",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    profile = read_profile(path)
    assert profile.handset.packet_interval_us == 10_000
    assert (profile.receiver.timeout_us, profile.output.frame_period_us) == (300_000, 20_000)
    assert [(one.name, one.kind, one.failsafe_us) for one in profile.channels] == [
        ("roll", "stick", 1500), ("throttle", "stick", 980), ("gear", "two-position switch", 1000),
        ("mode", "three-position switch", 1000),
    ]  # fmt: skip
    assert profile.flight_controller.arm_channel == "gear"
    assert profile.output.channels == 4
    handset = profile.handset
    assert (handset.packet_counter, handset.link_id, handset.check_byte) == (False, None, False)
    assert "Set here" not in path.read_text(encoding="utf-8")
    assert "prove" in done.output


def test_answers(tmp_path: Path) -> None:
    """Enter takes what is in brackets; what cannot be is said and asked for again."""
    path = tmp_path / "mine.toml"
    answers = [
        "200 Hz",
        "roll, pitch",
        "throttle, roll, arm/2",
        "",
        "soon",
        "400 ms",
        "",
        "",
        "perhaps",
        "n",
        "300",
        "7",
        "",
    ]
    done = new(path, "--ask", answers="\n".join(answers) + "\n")
    assert done.exit_code == 0, done.output
    for said in ("none is named throttle", "--timeout:", "answer y or n", "'300' is not a link id"):
        assert said in done.output
    profile = read_profile(path)
    assert [one.name for one in profile.channels] == ["throttle", "roll", "arm"]
    assert profile.flight_controller.arm_channel == "arm"
    assert profile.receiver.timeout_us == 400_000
    assert (profile.handset.packet_counter, profile.handset.link_id, profile.handset.check_byte) == (False, 7, True)


def test_nothing_is_asked_where_nobody_answers(tmp_path: Path) -> None:
    done = new(tmp_path / "plain.toml")
    assert done.exit_code == 0
    assert "[" not in done.output
    assert done.output.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--channels", "roll, pitch"), "none is named throttle"),
        (("--channels", "throttle, mode/4"), "is not a channel"),
        (("--arm", "gear"), "no channel 'gear'; allowed: "),
        (("--link-id", "256"), "is not a link id"),
        (("--throttle-failsafe", "1 V"), "--throttle-failsafe"),
        (("--timeout", "5"), "--timeout"),
    ],
)
def test_bad_facts(words: tuple[str, ...], said: str, tmp_path: Path) -> None:
    done = new(tmp_path / "bad.toml", *words)
    assert done.exit_code == 2
    assert said in done.output
    assert not (tmp_path / "bad.toml").exists()


@pytest.mark.parametrize("name", ["my\u00a0link", "my\u202flink", "my\nlink"])
def test_a_file_whose_name_is_no_name_of_a_link(name: str, tmp_path: Path) -> None:
    """Spaces that do not break, and the end of a line: ``--name`` gives another one."""
    done = new(tmp_path / f"{name}.toml")
    assert done.exit_code == 2
    assert done.output.startswith("lostlink: the file's name cannot be the name of a link; give one with --name: ")
    assert done.output.count("\n") == 1
    done = new(tmp_path / f"{name}.toml", "--name", name)
    assert done.output.startswith("lostlink: --name: ")
    assert not list(tmp_path.iterdir())
    assert new(tmp_path / f"{name}.toml", "--name", "my link").exit_code == 0
    assert read_profile(tmp_path / f"{name}.toml").name == "my link"


def test_nothing_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("precious", encoding="utf-8")
    assert new(path).exit_code == 2
    assert path.read_text(encoding="utf-8") == "precious"
    assert new(path, "--force").exit_code == 0
