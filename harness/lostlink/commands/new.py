"""``lostlink new``: writes a commented profile with the main values from options or from questions."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import click

from lostlink.commands import shared
from lostlink.errors import ProfileError
from lostlink.files import OutputFile
from lostlink.profiles import commented_profile, parse_profile
from lostlink.profiles.models import settings_of, value_of
from lostlink.profiles.template import LinkFacts, channels_of
from lostlink_sims import Channel, Profile


@click.command("new")
@click.argument("path", metavar="FILE.toml")
@click.option("--name", help="Name of the link.  [default: the file's name]")
@click.option("--packet-interval", metavar="TIME", help='Such as "5 ms", or a rate, "200 Hz".')
@click.option("--timeout", metavar="TIME", help='Failsafe after this time without a good packet, such as "500 ms".')
@click.option("--frame-period", metavar="TIME", help='Period of the PPM frame, such as "22.5 ms".')
@click.option(
    "--channels", metavar="NAMES", help='In their order, such as "roll, pitch, throttle, yaw, arm/2, mode/3".'
)
@click.option("--arm", metavar="NAME", help='Switch that arms, or "none" (low throttle only).')
@click.option("--throttle-failsafe", metavar="WIDTH", help='Throttle pulse in failsafe, such as "1000 us".')
@click.option("--counter/--no-counter", default=None, help="Whether packets carry a counter.")
@click.option("--check-byte/--no-check-byte", default=None, help="Whether packets carry a check byte.")
@click.option("--link-id", metavar="N", help='Link id of the packets, 0 to 255, or "none".')
@click.option(
    "--ask/--no-ask", default=None, help="Ask for these values.  [default: on a terminal, when none is given]"
)
@shared.force_option
def command(path: str, name: str | None, ask: bool | None, force: bool, **given: Any) -> None:
    """Write a commented profile, with every key, its meaning and its default.

    A channel with /2 or /3 is a switch with two or three positions. On a terminal the command asks for the main values;
    Enter takes the value in brackets.

    \b
    lostlink new my_link.toml
    lostlink new my_link.toml --timeout "300 ms" --channels "roll, pitch, throttle, yaw, arm/2"
    """  # noqa: D301
    file = OutputFile("FILE", path, force=force)
    nothing = all(value is None for value in given.values())
    if sys.stdin.isatty() and nothing if ask is None else ask:
        given = _asked(given)
    shown = path if path.isprintable() else None  # as it is in comments
    text = commented_profile(_name(name, path), shown, _facts(given))
    parse_profile(text, source=f"the profile for {path}")
    file.write(lambda: text)
    click.echo(f"{path} written. Fit it to your link, then: lostlink prove {path}")


# --- questions -------------------------------------------------------------------------------------------------------

_USUAL_CHANNELS = "roll, pitch, throttle, yaw, switch 1/2, switch 2/2"
_QUESTIONS = (
    ("packet_interval", "Time from one packet to the next, or their rate", "5 ms"),
    ("channels", "Channels in their order; /2 or /3 marks a switch", _USUAL_CHANNELS),
    ("arm", 'The switch that arms the motors, or "none"', ""),
    ("timeout", "Failsafe after this time without a good packet", "500 ms"),
    ("throttle_failsafe", "Throttle pulse in failsafe", "1000 us"),
    ("frame_period", "Period of the PPM frame", "22.5 ms"),
    ("counter", "Does a packet carry a counter, so that a hung handset is detected? (y/n)", "y"),
    ("link_id", 'Its link id, 0 to 255, so that a foreign handset is detected, or "none"', "42"),
    ("check_byte", "Does it carry a check byte in addition to the radio's CRC? (y/n)", "y"),
)  # fmt: skip


def _asked(given: dict[str, Any]) -> dict[str, Any]:
    """Ask for each value that is not given, again after an invalid answer."""
    answers = dict(given)
    for key, question, usual in _QUESTIONS:
        while answers[key] is None:
            value: Any = click.prompt(question, default=usual or _first_switch(answers), type=str).strip()
            if key in ("counter", "check_byte"):
                value = {"y": True, "yes": True, "n": False, "no": False}.get(value.lower())
                if value is None:
                    click.echo("answer y or n", err=True)
                    continue
            try:
                _facts({**dict.fromkeys(given), "channels": answers["channels"], key: value})
            except ProfileError as error:
                click.echo(str(error), err=True)
                continue
            answers[key] = value
    return answers


def _first_switch(answers: dict[str, Any]) -> str:
    switches = (channel.name for channel in channels_of(answers["channels"]) if channel.kind != "stick")
    return next(switches, "none")


# --- from texts to facts ---------------------------------------------------------------------------------------------


def _facts(given: dict[str, Any]) -> LinkFacts:
    """Return the values of options or answers.

    Raises
    ------
    ProfileError
        If one is invalid.
    """
    known: dict[str, Any] = {}
    plain = Profile()

    def setting(part: type, key: str) -> Callable[[Any], Any]:
        return partial(value_of, settings_of(part)[key])

    readers: dict[str, tuple[str, Callable[[Any], Any]]] = {
        "packet_interval": ("packet_interval_us", setting(type(plain.handset), "packet_interval")),
        "timeout": ("timeout_us", setting(type(plain.receiver), "timeout")),
        "frame_period": ("frame_period_us", setting(type(plain.output), "frame_period")),
        "channels": ("channels", channels_of),
        "throttle_failsafe": ("throttle_failsafe_us", setting(Channel, "failsafe")),
        "link_id": ("link_id", _link_id),
        "arm": ("arm_channel", lambda text: _arm(text, known.get("channels"))),
        "counter": ("packet_counter", bool),
        "check_byte": ("check_byte", bool),
    }
    for option, (fact, read) in readers.items():
        if given[option] is not None:
            try:
                known[fact] = read(given[option])
            except ValueError as error:
                raise ProfileError(f"--{option.replace('_', '-')}: {error}") from error
    names = [channel.name for channel in known.get("channels", ())]
    if names and "throttle" not in names:
        raise ProfileError(f"--channels: none is named throttle, got {', '.join(names)}; name one of them throttle")
    return LinkFacts(**known)


def _name(name: str | None, path: str) -> str:
    """Return the name of the link.

    Raises
    ------
    ProfileError
        If it is not one.
    """
    text = name or Path(path).stem.replace("_", " ")
    try:
        return str(value_of(settings_of(Profile)["name"], text))
    except ValueError as error:
        where = "--name" if name else "the file's name cannot be the name of a link; give one with --name"
        raise ProfileError(f"{where}: {error}") from error


def _link_id(text: str) -> int | None:
    if text == "none":
        return None
    if not text.isdecimal() or int(text) > 255:
        raise ValueError(f'{text!r} is not a link id; allowed: 0 to 255, or "none"')
    return int(text)


def _arm(text: str, channels: Any) -> str:
    names = [channel.name for channel in channels or Profile().channels]
    if text != "none" and text not in names:
        raise ValueError(f'no channel {text!r}; allowed: {", ".join(names)}, or "none"')
    return text
