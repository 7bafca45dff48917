"""Profiles and scenarios on disk: what is read, what is refused and in which words."""

from __future__ import annotations

import dataclasses
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lostlink.errors import ProfileError
from lostlink.profiles import (
    commented_profile,
    parse_profile,
    parse_scenario,
    profile_digest,
    read_profile,
    read_scenario,
    write_profile,
    write_scenario,
)
from lostlink.profiles.rules import longest_frame_us
from lostlink_sims import Channel, Move, Profile, Scenario
from lostlink_sims._settings import declaration, key_of
from lostlink_sims.air.loss import MODELS, Bernoulli, LinkBudget, Recorded
from lostlink_sims.profile import BatterySettings, HandsetSettings
from lostlink_sims.scenario import FAULTS, HandsetLoopHung, HandsetRadioBusy, HandsetReset, LinkCut, SwitchBounces

FIXTURES = Path(__file__).parents[2] / "fixtures" / "profiles"
SHIPPED = sorted(FIXTURES.glob("*.toml"))
BERNOULLI = '[[radio.losses]]\nmodel = "bernoulli"\n'


def refusal(text: str, folder: Path | None = None) -> str:
    with pytest.raises(ProfileError) as refused:
        parse_profile(text, "home.toml", folder)
    return str(refused.value)


def refused_scenario(text: str) -> str:
    with pytest.raises(ProfileError) as refused:
        parse_scenario(text, Profile(), "run.toml")
    return str(refused.value)


# --- what is taken ------------------------------------------------------------------------------------------------


def test_an_empty_file_is_the_plain_link() -> None:
    assert parse_profile("") == Profile()
    assert parse_profile("schema = 1\n") == Profile()


def test_every_table_reaches_its_dataclass() -> None:
    profile = parse_profile(
        'name = "test"\nhandset.packet_interval = "100 Hz"\nreceiver = { timeout = "300 ms" }\n'
        '[radio]\nbit_rate = "2 Mbit/s"\n' + BERNOULLI + "probability = 0.02\n"
        '[[radio.losses]]\nmodel = "link budget"\nspeed = "36 km/h"\n'
        '[output]\nstyle = "fixed gap"\n[requirements]\nwaived = ["A-1"]\nrecoveries_per_second = 3\n'
    )
    assert profile.name == "test"
    assert profile.handset.packet_interval_us == 10_000
    assert profile.receiver.timeout_us == 300_000
    assert profile.radio.bit_rate_bit_s == 2_000_000
    assert profile.radio.losses == (Bernoulli(probability=0.02), LinkBudget(speed_m_s=10.0))
    assert profile.output.style == "fixed gap"
    assert profile.requirements.waived == ("A-1",)
    assert profile.requirements.recoveries_per_second == 3.0
    assert profile.channels == Profile().channels


def test_a_handsets_program_is_declared() -> None:
    handset = parse_profile(
        '[handset]\nturn = "800 us"\nsends_from = "timer"\nat_power_on = "sends at once"\n'
        'after_reset = "waits for low throttle"\nwatchdog = "100 ms"\n'
    ).handset
    assert (handset.turn_us, handset.sends_from, handset.watchdog_us) == (800, "timer", 100_000)
    assert (handset.at_power_on, handset.after_reset) == ("sends at once", "waits for low throttle")
    assert parse_profile(write_profile(dataclasses.replace(Profile(), handset=handset))).handset == handset


def test_channels_replace_the_six_of_the_plain_link() -> None:
    profile = parse_profile(
        '[flight_controller]\narm_channel = false\n[[channels]]\nname = "throttle"\nfailsafe = "1000 us"\n'
    )
    assert profile.channels == (Channel(name="throttle", failsafe_us=1000),)


@pytest.mark.parametrize("word", ["false", '"none"'])
def test_no_arming_channel(word: str) -> None:
    assert parse_profile(f"[flight_controller]\narm_channel = {word}\n").flight_controller.arm_channel is None


def test_crlf_is_no_matter(tmp_path: Path) -> None:
    path = tmp_path / "crlf.toml"
    path.write_bytes(
        b'[receiver]\r\ntimeout = "1 s"\r\n[requirements]\r\ncut_within="2 s"\r\nmotor_cut_within="2 s"\r\n'
    )
    assert read_profile(path).receiver.timeout_us == 1_000_000


# --- what is refused, in which words ------------------------------------------------------------------------------

#: A text; where the refusal points; what it says.
REFUSED: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "bare number": ("[receiver]\ntimeout = 500", "2:11: receiver.timeout", ('"500 ms"',)),
    "bare width": ("[receiver]\nlow = 1000", "2:7: receiver.low", ('"1000 us"',)),
    "bare number that the first unit does not fit": (
        "[receiver]\ntimeout = 500000", "2:11: receiver.timeout", ('such as "500000 us"',),
    ),
    "bare seconds": ("[receiver]\ntimeout = 0.5", "2:11: receiver.timeout", ('such as "0.5 s"',)),
    "bare bits": ("[radio]\nbit_rate = 1000000", "2:12: radio.bit_rate", ('such as "1000000 bit/s"',)),
    "bare number that no unit fits": ("[receiver]\nlow = 3", "2:7: receiver.low", ("got 3", 'such as "1500 us"')),
    "no unit": ('[receiver]\ntimeout = "500"', "2:11: receiver.timeout", ("has no unit", "ms")),
    "wrong unit": ('[receiver]\ntimeout = "500 MS"', "2:11: receiver.timeout", ("did you mean 'ms'?",)),
    "half a microsecond": ('[receiver]\ntimeout = "0.5 us"', "2:11: receiver.timeout", ("not a whole number",)),
    "uneven rate": ('[handset]\npacket_interval = "300 Hz"', "2:19: handset.packet_interval", ("3333.333 us",)),
    "too small": ('[receiver]\ntimeout = "10 us"', "2:11: receiver.timeout", ("too small", "allowed: 1 ms to")),
    "too wide": ('[receiver]\nlow = "1500 us"', "2:7: receiver.low", ("too large", "allowed: 800 us to 1400 us")),
    "share": (BERNOULLI + "probability = 2", "3:15: radio.losses[1].probability", ("allowed: 0 % to 100 %",)),
    "infinite share": (BERNOULLI + "probability = inf", "3:15: radio.losses[1].probability", ("inf is not a number",)),
    "flag as share": (BERNOULLI + "probability = true", "3:15: radio.losses[1].probability", ('"2 %"',)),
    "choice": (
        '[output]\nstyle = "fixed perod"', "2:9: output.style",
        ("did you mean 'fixed period'?", "allowed: fixed period, fixed gap"),
    ),
    "flag": ('[handset]\npacket_counter = "true"', "2:18: handset.packet_counter", ("expected true or false",)),
    "count": ('[handset]\nadc_noise_counts = "1"', "2:20: handset.adc_noise_counts", ("a whole number", "0 to 32")),
    "part of a count": ("[handset]\nlink_id = 1.5", "2:11: handset.link_id", ("a whole number", "0 to 255")),
    "flag as count": ("[handset]\nlink_id = true", "2:11: handset.link_id", ("a whole number",)),
    "count too large": ("[handset]\nlink_id = 256", "2:11: handset.link_id", ("256 is too large", "0 to 255")),
    "text": ("name = 3", "1:8: name", ("expected text",)),
    "no name": ('name = ""', "1:8: name", ("expected text",)),
    "arming by true": ("[flight_controller]\narm_channel = true", "2:15: flight_controller.arm_channel", ("true",)),
    "list of texts": ('[requirements]\nwaived = "x"', "2:10: requirements.waived", ("expected a list",)),
    "number among texts": ("[requirements]\nwaived = [1]", "2:10: requirements.waived", ("got 1 in it",)),
    "date": ("[receiver]\ntimeout = 2020-01-01", "2:11: receiver.timeout", ('"500 ms"',)),
    "unknown key": (
        '[receiver]\ntimout = "500 ms"', "2:1: receiver.timout",
        ("unknown key; did you mean 'timeout'?", "allowed: timeout, hold, failsafe_output, recovery_packets"),
    ),
    "nothing like it": ("[receiver]\nfoo = 1", "2:1: receiver.foo", ("unknown key; allowed: timeout",)),
    "where a handset sends": (
        '[handset]\nsends_from = "mainloop"', "2:14: handset.sends_from",
        ("did you mean 'main loop'?", "allowed: main loop, timer"),
    ),
    "what a handset does at power-on": (
        '[handset]\nat_power_on = "waits"', "2:15: handset.at_power_on",
        ("allowed: waits for low throttle, sends at once",),
    ),
    "what a handset does after a reset": (
        '[handset]\nafter_reset = true', "2:15: handset.after_reset",
        ("true is not one of the choices", "allowed: resumes, waits for low throttle"),
    ),
    "bare turn": ("[handset]\nturn = 400", "2:8: handset.turn", ('such as "400',)),
    "no watchdog": ('[handset]\nwatchdog = "none"', "2:12: handset.watchdog", ("is not a quantity",)),
    "capitals": ("[output]\npolarity = 'NEGATIVE'", "2:12: output.polarity", ("did you mean 'negative'?",)),
    "quoted key": ('"a.b\\u001b[31m" = 1', '1:1: "a.b\\u001b[31m"', ("unknown key",)),
    "unit in the key": ('[receiver]\ntimeout_us = "1 s"', "2:1: receiver.timeout_us", ("did you mean 'timeout'?",)),
    "unknown table": ("[recever]", "1:1: recever", ("did you mean 'receiver'?",)),
    "inline": ("receiver = { timeout = 500 }", "1:24: receiver.timeout", ('"500 ms"',)),
    "dotted": ("receiver.timeout = 500", "1:20: receiver.timeout", ('"500 ms"',)),
    "quoted": ('[receiver]\n"timeout" = 500', "2:13: receiver.timeout", ('"500 ms"',)),
    "pattern is not the user's": (
        '[[radio.losses]]\nmodel = "recorded"\nfile = "x.csv"\npattern = "01"', "4:1: radio.losses[1].pattern",
        ("unknown key",),
    ),
    "missing key": (
        "# two lines\n\n" + BERNOULLI, "3:1: radio.losses[1].probability", ("is missing", "Share of packets lost")
    ),
    "second of two": (
        BERNOULLI + "probability = 0.1\n" + BERNOULLI, "4:1: radio.losses[2].probability", ("is missing",)
    ),
    "missing name": ('[[channels]]\nkind = "stick"', "1:1: channels[1].name", ("is missing",)),
    "missing model": ("[[radio.losses]]", "1:1: radio.losses[1].model", ("is missing", "bernoulli, gilbert-elliott")),
    "model": (
        '[[radio.losses]]\nmodel = "bernouli"', "2:9: radio.losses[1].model",
        ("did you mean 'bernoulli'?", "link budget"),
    ),
    "one table for many": ('[radio.losses]\nmodel = "bernoulli"', "1:1: radio.losses", ("[[radio.losses]]",)),
    "number for tables": ("channels = 3", "1:12: channels", ("[[channels]]",)),
    "number for a table": ("radio = 3", "1:9: radio", ("expected a table",)),
    "many tables for one": ("[[receiver]]", "1:", ("receiver: expected a table",)),
    "newer schema": ("schema = 2", "1:10: schema", ("2 is not a known version", "1, the newest")),
    "schema of another type": ("schema = true", "1:10: schema", ("not a known version",)),
    "not TOML": ("[receiver]\ntimeout = 500 ms", "2:15: this is not TOML", ('timeout = "500 ms"',)),
    "open quote": ('[receiver]\ntimeout = "500 ms\n', "2:18: this is not TOML", ("a quote is not closed",)),
    "table twice": ("[receiver]\n[receiver]", "2:", ("Cannot declare [receiver] twice",)),
    "twice": ("[handset]\nlink_id = 1\nlink_id = 2\n", "3:12: this is not TOML", ("overwrite",)),
    "cut off": ("[receiver\n", "1:10: this is not TOML", ()),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_refusal_points_and_says_what_is_allowed(case: str) -> None:
    text, where, parts = REFUSED[case]
    told_text = refusal(text)
    assert told_text.startswith(f"home.toml:{where}"), told_text
    for part in parts:
        assert part in told_text
    said, line, caret = told_text.split("\n")
    number, column = (int(part) for part in said.split(":")[1:3])
    assert line == "    " + text.split("\n")[number - 1]
    assert caret == " " * (3 + column) + "^"


def test_all_problems_at_once_in_the_order_of_the_text() -> None:
    text = (
        "[receiver]\ntimeout = 500\nbogus = 1\n[output]\nstyle = 'x'\n[[channels]]\n"
        "[[radio.losses]]\nmodel = 'bernoulli'\nprobability = '200 %'\n"
    )
    places = [head.split(": ")[0] for head in heads(refusal(text))]
    assert places == ["home.toml:2:11", "home.toml:3:1", "home.toml:5:9", "home.toml:6:1", "home.toml:9:15"]


def heads(said: str) -> list[str]:
    """Return where each problem is and the key that it names."""
    return [": ".join(line.split(": ")[:2]) for line in said.split("\n") if line.startswith(("home.toml", "run.toml"))]


def test_what_could_be_read_is_judged_beside_what_could_not() -> None:
    text = '[handset]\nlink_id = "x"\n[output]\nframe_period = "20 ms"\nchannels = 9\n'
    assert heads(refusal(text)) == ["home.toml:2:11: handset.link_id", "home.toml:5:12: output.channels"]


@pytest.mark.parametrize(
    "wrong",
    [
        "[receiver]\ntimeout = 100\n",  # meant: 100 ms, with which the limit below can be met
        '[recever]\ntimeout = "100 ms"\n',
        'receiver = "100 ms"\n',
    ],
)
def test_nothing_is_concluded_from_what_could_not_be_read(wrong: str) -> None:
    limits = '[requirements]\ncut_within = "150 ms"\nmotor_cut_within = "1 s"\n'
    assert "cannot be met" in refusal(limits)
    assert len(heads(refusal(wrong + limits))) == 1


@pytest.mark.parametrize("name", ["\\u001b[2J", "\\u0000", "\\u202e", "\\u007f", "\\n"])
def test_names_contain_no_control_characters(name: str) -> None:
    with pytest.raises(ProfileError, match=r"1:8: name.*without control characters"):
        parse_profile(f'name = "a{name}"\n')
    with pytest.raises(ValueError, match="not printable; allowed: text without control characters"):
        dataclasses.replace(Profile(), name=json.loads(f'"{name}"'))


def test_control_characters_of_a_file_do_not_reach_the_terminal() -> None:
    for text in ('name = "\x1b[31m"', '[[channels]]\nname = "\\u001b[31m\\nred"\n', '"\\u0007" = 1'):
        said = refusal(text)
        assert all(sign == "\n" or sign.isprintable() for sign in said), ascii(said)
        assert all(line.startswith(("home.toml:", "    ")) for line in said.split("\n")), said


def test_a_message_stays_short_whatever_stands_in_the_file() -> None:
    for text in ("k" * 9999 + " = 1", f'[output]\nstyle = "{"y" * 9999}"', f"[handset]\nlink_id = {'9' * 4000}"):
        assert len(refusal(text)) < 600


#: Values that Python stumbles over by itself, or would take although they mean nothing.
ODDITIES: dict[str, str] = {
    "list for a model": '[[radio.losses]]\nmodel = ["bernoulli"]',
    "table for a model": "[[radio.losses]]\nmodel = { a = 1 }",
    "nested beyond reason": "x = " + "[" * 5000 + "]" * 5000,
    "more digits than python reads": "x = " + "9" * 5000,
    "count beyond a float": "[handset]\nlink_id = " + "9" * 4000,
    "no number as a share": BERNOULLI + "probability = nan",
    "no number as a count": "[requirements]\nrecoveries_per_second = nan",
    "a path that cannot be": '[[radio.losses]]\nmodel = "recorded"\nfile = "a\\u0000b"',
    "a count too large for a float as a share": BERNOULLI + "probability = " + "9" * 400,
    "the same below zero": BERNOULLI + "probability = -" + "9" * 400,
    "a number too large for a float": "[requirements]\nrecoveries_per_second = " + "9" * 400,
    "digits without end": '[receiver]\ntimeout = "' + "9" * 5000 + ' s"',
    "many digits": '[receiver]\ntimeout = "' + "9" * 50 + ' s"',
    "less than a microsecond over": '[receiver]\ntimeout = "500.00000000000000000000000000001 ms"',
}


@pytest.mark.parametrize("case", ODDITIES)
def test_oddity_is_refused_without_a_traceback(case: str) -> None:
    assert refusal(ODDITIES[case]).startswith("home.toml:")


# --- files --------------------------------------------------------------------------------------------------------


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'\xef\xbb\xbf# \xc3\xa9\nname = "\xe9"\n')
    for path, part in (
        (tmp_path / "nope.toml", "there is no such file"),
        (tmp_path, "is a folder"),
        (latin, ":2:9: is not UTF-8"),
        (latin / "below.toml", "cannot be read"),
    ):
        for read in (read_profile, lambda path: read_scenario(path, Profile())):
            with pytest.raises(ProfileError, match=part) as refused:
                read(path)
            assert str(refused.value).startswith(str(path))


def test_recorded_losses_are_read_from_the_profiles_folder(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "pond.csv").write_text("time,lost\n0,1\n\n5, 0\n10,1\n", encoding="utf-8")
    path = tmp_path / "plover.toml"
    path.write_text('[[radio.losses]]\nmodel = "recorded"\nfile = "sub/pond.csv"\n', encoding="utf-8")
    assert read_profile(path).radio.losses == (Recorded(file="sub/pond.csv", pattern=b"\1\0\1"),)


@pytest.mark.parametrize(
    ("content", "parts"),
    [
        ("packet,lost\n0,1\n\n1,2\n", ("pond.csv:4: lost is '2'", "0 or 1")),
        ("packet,lost\n0\n", ("pond.csv:2: lost is ''",)),
        ("a,b\n1,0\n", ("pond.csv:1: no column 'lost'", "a, b")),
        ("", ("no column 'lost'",)),
        ("lost\n\n", ("holds no packet",)),
        (None, ("pond.csv cannot be read", "the profile's folder")),
    ],
)
def test_recording_that_is_wrong_is_named_with_its_line(
    tmp_path: Path, content: str | None, parts: tuple[str, ...]
) -> None:
    if content is not None:
        (tmp_path / "pond.csv").write_text(content, encoding="utf-8")
    said = refusal('[[radio.losses]]\nmodel = "recorded"\nfile = "pond.csv"\n', tmp_path)
    assert said.startswith("home.toml:3:8: radio.losses[1].file: ")
    for part in parts:
        assert part in said


# --- combinations that cannot be ----------------------------------------------------------------------------------


def channels(*names: str) -> str:
    return "".join(f'[[channels]]\nname = "{name}"\n' for name in names)


ARM = '\n[[channels]]\nname = "switch 1"\nkind = "two-position switch"\nfailsafe = "1000 us"'
IMPOSSIBLE: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "nine channels in 20 ms": (
        '[output]\nframe_period = "20 ms"\nchannels = 9', "3:12: output.channels", ("8 channels", "21 ms"),
    ),
    "frame too short for eight": ('[output]\nframe_period = "18 ms"', "2:16: output.channels", ("7 channels",)),
    "gap too short": ('[output]\nstyle = "fixed gap"\nframe_gap = "2 ms"', "3:13: output.frame_gap", ("3 ms",)),
    "timeout of one packet": ('[receiver]\ntimeout = "9 ms"', "2:11: receiver.timeout", ("10 ms or more",)),
    "33 bytes": (
        channels("throttle", *(f"c{n}" for n in range(32))) + "[flight_controller]\narm_channel = false",
        "", ("payload of 33 bytes", "allowed: 32 bytes"),
    ),
    "more channels than the frame": ("[output]\nchannels = 5", "2:12: output.channels", ("6 or more",)),
    "same name twice": (channels("throttle", "a", "a"), "", ("home.toml:6:8: channels[3].name", "twice")),
    "no channel": ("channels = []", "1:12: channels", ("at least one [[channels]]",)),
    "throttle of no channel": (
        '[flight_controller]\nthrottle = "throtle"', "2:12: flight_controller.throttle",
        ("did you mean 'throttle'?", "roll, pitch"),
    ),
    "arming by no channel": (
        '[flight_controller]\narm_channel = "switch 3"', "2:15: flight_controller.arm_channel", ("'switch",),
    ),
    "throttle on a switch": (
        'name = "x"\n[flight_controller]\nthrottle = "switch 2"', "3:12: channels[6].kind",
        ("by default, the throttle channel 'switch 2' is a switch", "a stick"),
    ),
    "throttle made a switch": (
        '[[channels]]\nname = "switch 1"\n[[channels]]\nname = "throttle"\nkind = "two-position switch"',
        "5:8: channels[2].kind", ("kind: the throttle channel",),
    ),
    "wide unused channels": (
        '[output]\nframe_period = "19.1 ms"\nunused = "2200 us"', "2:16: output.channels", ("20.6 ms or more",),
    ),
    "jitter": ('[handset]\njitter = "3 ms"', "2:10: handset.jitter", ("half of a packet interval", "2.5 ms")),
    "packet longer than its interval": (
        '[handset]\npacket_interval = "500 us"\n[radio]\nlatency = "400 us"', "2:19: handset.packet_interval",
        ("on the air", "allowed: more than 651 us"),
    ),
    "retries do not fit": ("[radio]\nacknowledge = true\nretries = 10", "3:11: radio.retries", ("10 retries",)),
    "retry before the packet is there": (
        '[radio]\nacknowledge = true\nretry_delay = "200 us"', "3:15: radio.retry_delay", ("allowed: more than",),
    ),
    "failsafe that spoils the frame": (
        '[flight_controller]\nleast_pulse = "1000 us"\narm_channel = false\n[[channels]]\nname = "throttle"\n'
        '[[channels]]\nname = "yaw"\nfailsafe = "900 us"',
        "8:12: channels[2].failsafe", ("1000 us to 2200 us",),
    ),
    "cut that cannot be met": (
        '[requirements]\ncut_within = "510 ms"', "2:14: requirements.cut_within", ("cannot be met", "526.951 ms"),
    ),
    "motor cut that cannot be met": (
        '[requirements]\nmotor_cut_within = "510 ms"', "2:20: requirements.motor_cut_within", ("535.451 ms",),
    ),
    "hold counts": (
        '[receiver]\nhold = "100 ms"\n[requirements]\nmotor_cut_within = "1 s"', "2:8: requirements.cut_within",
        ("626.951 ms",),
    ),
    "recoveries that must be": (
        '[receiver]\ntimeout = "30 ms"', "2:11: requirements.recoveries_per_second",
        ("4 cannot be met", "7.69 times per second", "allowed: 7.7 or more, or a longer recovery"),
    ),
    "clock that spoils pulses": (
        '[receiver]\nclock_error = "5000 ppm"', "2:15: requirements.ends_within",
        ("requirements.value_tolerance", "5000 ppm off, pulses are 10 us off; allowed: 10 us or more",
         "frames are 113 us off; allowed: 115 us or more"),
    ),
    "signal timeout": (
        '[flight_controller]\nsignal_timeout = "45 ms"', "2:18: flight_controller.signal_timeout",
        ("more than 45 ms",),
    ),
    "turn as long as the interval": (
        '[handset]\npacket_interval = "2 ms"\nturn = "2 ms"', "3:8: handset.turn",
        ("2 ms is not shorter than the packet interval", "allowed: less than 2 ms"),
    ),
    "turn of a handset that sends by a timer": (
        '[handset]\nsends_from = "timer"\nturn = "6 ms"', "3:8: handset.turn", ("allowed: less than 5 ms",),
    ),
    "watchdog within a turn": (
        '[handset]\nturn = "1 ms"\nwatchdog = "900 us"', "3:12: handset.watchdog",
        ("900 us is over within a turn", "resets a sound handset", "allowed: more than 1 ms, or 0 ms for none"),
    ),
    "wiper that turns back": (
        '[[channels]]\nname = "throttle"\ncentre_error = "-20 %"\ntravel_low = "25 %"' + ARM,
        "4:14: channels[1].travel_low",
        ("at 25% of its track at the low stop, at 30% in the centre", "one way, 10% or more on each side"),
    ),
    "throttle that is full at its low stop": (
        '[[channels]]\nname = "throttle"\nreversed = true' + ARM, "3:12: channels[1].reversed",
        ("the throttle's low stop is sent as code 255, 2000 us, which is not idle; allowed: up to 1050 us",),
    ),
    "throttle that never idles": (
        '[[channels]]\nname = "throttle"\ntravel_low = "10 %"' + ARM, "3:14: channels[1].travel_low",
        ("sent as code 25, 1098 us, which is not idle",),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", IMPOSSIBLE)
def test_impossible_combination(case: str) -> None:
    text, where, parts = IMPOSSIBLE[case]
    said = refusal(text)
    assert said.startswith(f"home.toml:{where}"), said
    for part in parts:
        assert part in said


#: What is just allowed, and what is not by one microsecond or one step.
EDGES: dict[str, tuple[str, str, str]] = {
    # 451 us on its way, timeout 500 ms, frame 22.5 ms, roll and pitch at 1500 us and throttle at 1000 us
    "cut": ('[requirements]\ncut_within = "{}"', "526951 us", "526950 us"),
    # in place of those three all eight, 9500 us, and the sync gap of 3 ms
    "motor cut": ('[requirements]\nmotor_cut_within = "{}"', "535451 us", "535450 us"),
    "recoveries": ('[receiver]\ntimeout = "30 ms"\n[requirements]\nrecoveries_per_second = {}', "7.7", "7.6"),
    "pulses and clock": ('[receiver]\nclock_error = "{}"', "1249 ppm", "1250 ppm"),
    "signal timeout": ('[flight_controller]\nsignal_timeout = "{}"', "45001 us", "45 ms"),
    "timeout": ('[receiver]\nrecovery = "1 s"\ntimeout = "{}"', "10 ms", "9999 us"),
    "frame period": ('[output]\nframe_period = "{}"', "19 ms", "18999 us"),
    "frame gap": ('[output]\nstyle = "fixed gap"\nframe_gap = "{}"', "3 ms", "2999 us"),
    "jitter": ('[handset]\njitter = "{}"', "2500 us", "2501 us"),
    # settle 130, 121 on the air, latency 200: 451 us
    "packet interval": ('[handset]\npacket_interval = "{}"\n[radio]\nlatency = "400 us"', "652 us", "651 us"),
    "packet and jitter": ('[handset]\njitter = "1 ms"\n[radio]\nlatency_jitter = "{}"', "3548 us", "3549 us"),
    "turn": ('[handset]\nturn = "{}"', "4999 us", "5 ms"),
    "handset's watchdog": ('[handset]\nwatchdog = "{}"', "401 us", "400 us"),
    "retry delay": ('[radio]\nacknowledge = true\nretry_delay = "{}"', "452 us", "451 us"),
    "retries": ('[radio]\nacknowledge = true\nretries = 1\nretry_delay = "{}"', "4548 us", "4549 us"),
}


@pytest.mark.parametrize("case", EDGES)
def test_edge_of_what_can_be(case: str) -> None:
    text, allowed, refused = EDGES[case]
    parse_profile(text.format(allowed))
    assert len(heads(refusal(text.format(refused)))) == 1


def test_width_of_unused_channels_counts_only_where_there_are_any() -> None:
    names = channels("throttle", "switch 1", *"abcdef")
    profile = parse_profile('[output]\nframe_period = "20 ms"\nunused = "2200 us"\nchannels = 8\n' + names)
    assert len(profile.channels) == profile.output.channels


def test_a_failsafe_that_is_not_idle_is_for_the_suite_to_find() -> None:
    text = '[[channels]]\nname = "throttle"\nfailsafe = "1800 us"\n[[channels]]\nname = "switch 1"\n'
    assert parse_profile(text).channels[0].failsafe_us == 1800


def test_throttle_below_the_stick_says_failsafe_and_spoils_nothing() -> None:
    profile = parse_profile(
        '[flight_controller]\narm_channel = "none"\n[[channels]]\nname = "throttle"\nfailsafe = "800 us"\n'
    )
    assert profile.channels[0].failsafe_us < profile.flight_controller.failsafe_below_us


# --- there and back -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_profile_survives_and_can_be_met(path: Path) -> None:
    profile = read_profile(path)
    assert parse_profile(write_profile(profile), folder=path.parent) == profile
    assert profile.name == path.stem
    assert profile.handset.packet_counter
    assert profile.handset.check_byte
    assert profile.handset.link_id is not None
    assert profile.requirements.cut_within_us >= profile.cut_delay_us + longest_frame_us(profile)
    assert profile.requirements.motor_cut_within_us > profile.requirements.cut_within_us
    text = path.read_text(encoding="utf-8")
    for caution in ("propellers off", "flight battery disconnected", "model restrained", "rules where you are"):
        assert caution in " ".join(text.replace("#", " ").split()), caution


def test_six_profiles_are_shipped() -> None:
    assert [path.stem for path in SHIPPED] == ["bittern", "dunlin", "heron", "lapwing", "plover", "wren"]


def test_written_profile_names_every_key() -> None:
    tables = tomllib.loads(write_profile(Profile()))
    for table in ("handset", "receiver", "output", "flight_controller", "requirements"):
        for field in dataclasses.fields(getattr(Profile(), table)):
            if getattr(getattr(Profile(), table), field.name) is not None:
                assert key_of(field) in tables[table]


def test_no_arming_channel_survives() -> None:
    profile = parse_profile("[flight_controller]\narm_channel = false\n")
    assert parse_profile(write_profile(profile)) == profile


@pytest.mark.parametrize("name", ['a "quoted" \\ one', "ünï 🪶", "#=[]"])
def test_any_name_survives(name: str) -> None:
    assert parse_profile(write_profile(dataclasses.replace(Profile(), name=name))).name == name


def test_digest_follows_the_values_and_not_the_file() -> None:
    heron = FIXTURES / "heron.toml"
    profile = read_profile(heron)
    assert profile_digest(profile) == profile_digest(parse_profile(write_profile(profile)))
    assert profile_digest(profile) == profile_digest(parse_profile("# more\n" + heron.read_text(encoding="utf-8")))
    assert profile_digest(profile) != profile_digest(dataclasses.replace(profile, name="other"))
    one, other = (
        dataclasses.replace(profile, radio=dataclasses.replace(profile.radio, losses=(Recorded(file="x", pattern=p),)))
        for p in (b"\1\0", b"\0\1")
    )
    assert profile_digest(one) != profile_digest(other)


FACTS = ("packet_interval_us", "timeout_us", "frame_period_us")


@pytest.mark.parametrize(
    "facts",
    [(None, None, None), (20_000, None, None), (2_500, 250_000, None), (None, 3_000_000, 30_000), (None, None, 20_000)],
)
def test_commented_profile_reads_back_with_the_facts(facts: tuple[int | None, ...]) -> None:
    named: dict[str, Any] = dict(zip(FACTS, facts, strict=True))
    profile = parse_profile(commented_profile("my link", **named))
    got = profile.handset.packet_interval_us, profile.receiver.timeout_us, profile.output.frame_period_us
    for wanted, is_ in zip(facts, got, strict=True):
        assert wanted is None or is_ == wanted
    assert profile.handset.packet_counter
    assert profile.handset.check_byte
    assert profile.handset.link_id is not None


def test_commented_profile_explains_every_key() -> None:
    text = commented_profile("my link")
    flat = " ".join(text.replace("\n#", " ").split())
    assert text.startswith("#:schema ./lostlink.schema.json\n")
    cautions = "propellers off", "flight battery disconnected", "model restrained", "radio and aviation regulations"
    for caution in cautions:
        assert caution in flat
    parts: list[Any] = [getattr(Profile(), field.name) for field in dataclasses.fields(Profile)]
    parts = [*(part for part in parts if dataclasses.is_dataclass(part)), *MODELS.values()]
    for part in parts:
        for field in dataclasses.fields(part):
            if "setting" in field.metadata and declaration(field).kind != "table":
                assert f"{key_of(field)} = " in text, field.name
                assert declaration(field).doc in flat, field.name


def test_commented_profile_explains_every_key_of_a_channel() -> None:
    flat = " ".join(commented_profile("my link").replace("\n#", " ").split())
    for field in dataclasses.fields(Channel):
        assert declaration(field).doc in flat, field.name


def test_commented_loss_models_can_be_switched_on(tmp_path: Path) -> None:
    lines = commented_profile("my link").split("\n")
    starts = [number for number, line in enumerate(lines) if line == "# [[radio.losses]]"]
    assert len(starts) == len(MODELS)
    for start in starts:
        number = start
        while lines[number].startswith("# ") and (number == start or "[[" not in lines[number]):
            lines[number] = lines[number][2:] if "=" in lines[number] or "[[" in lines[number] else lines[number]
            number += 1
    folder = tmp_path
    names = [line.split('"')[1] for line in lines if line.startswith("file = ")]
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("lost\n0\n1\n", encoding="utf-8")
    profile = parse_profile("\n".join(lines), folder=folder)
    assert [model.model for model in profile.radio.losses] == list(MODELS)


# --- scenarios ----------------------------------------------------------------------------------------------------


def test_scenario_is_read() -> None:
    scenario = parse_scenario(
        'seed = 7\nduration = "3 s"\n[[moves]]\nat = "500 ms"\nchannel = "throttle"\nposition = "80 %"\n'
        '[[faults]]\nfault = "link cut"\nat = "1 s"\nfor = "600 ms"\n',
        Profile(),
    )
    assert scenario.seed == 7
    assert scenario.duration_us == 3_000_000
    assert scenario.moves == (Move(at_us=500_000, channel="throttle", position=0.8),)
    assert scenario.faults == (LinkCut(at_us=1_000_000, for_us=600_000),)


@pytest.mark.parametrize(
    ("text", "where", "parts"),
    [
        ('[[faults]]\nfault = "lnk cut"', "2:9: faults[1].fault", ("did you mean 'link cut'?", "fade ramp")),
        ('[[faults]]\nat = "1 s"', "1:1: faults[1].fault", ("is missing", "link cut")),
        ('[[faults]]\nfault = "link cut"', "1:1: faults[1].at", ("is missing", "Start time")),
        ('[[faults]]\nfault = "link cut"\nat = 5', "3:6: faults[1].at", ('"5 ms"',)),
        ('[[faults]]\nfault = "link cut"\nat = "1 s"\nfr = "1 s"', "4:1: faults[1].fr", ("did you mean 'for'?",)),
        (
            '[[moves]]\nat = "0 s"\nchannel = "trottle"\nposition = "50 %"', "3:11: moves[1].channel",
            ("did you mean 'throttle'?", "roll, pitch"),
        ),
        (
            '[[faults]]\nfault = "stick wire broken"\nat = "1 s"\nchannel = "yaww"', "4:11: faults[1].channel",
            ("did you mean 'yaw'?",),
        ),
        ('[[moves]]\nat = "0 s"\nchannel = "yaw"\nposition = "150 %"', "4:12: moves[1].position", ("-20 % to 120 %",)),
        (
            '[[faults]]\nfault = "switch bounces"\nat = "1 s"\nchannel = "yaw"', "4:11: faults[1].channel",
            ("'yaw' is a stick, but 'switch bounces' needs a switch; allowed: switch 1, switch 2",),
        ),
        (
            '[[faults]]\nfault = "stick wire broken"\nat = "1 s"\nchannel = "switch 2"', "4:11: faults[1].channel",
            ("'switch 2' is a switch, but 'stick wire broken' needs a stick; allowed: roll, pitch, throttle, yaw",),
        ),
        (
            '[[faults]]\nfault = "switch bounces"\nat = "1 s"\nchannel = "switch 1"\nbounce = "2 s"',
            "5:10: faults[1].bounce", ("too large", "1 us to 1 s"),
        ),
        ('[[faults]]\nfault = "switch bounces"\nat = "1 s"', "1:1: faults[1].channel", ("is missing",)),
        ('[[faults]]\nfault = "handset reset"\nat = "1 s"\nfor = "1 s"', "4:1: faults[1].for", ("unknown key",)),
        ('[[faults]]\nfault = "handset lop hung"\nat = "1 s"', "2:9: faults[1].fault", ("'handset loop hung'?",)),
        ('handset_clock = "5000 s"', "1:17: handset_clock", ("too large", "0 ms to 71.58278825 min")),
        ("seed = -1", "1:8: seed", ("too small",)),
        ("faults = 3", "1:10: faults", ("[[faults]]",)),
        ("durration = 3", "1:1: durration", ("did you mean 'duration'?",)),
    ],
)  # fmt: skip
def test_scenario_refusal(text: str, where: str, parts: tuple[str, ...]) -> None:
    said = refused_scenario(text)
    assert said.startswith(f"run.toml:{where}"), said
    for part in parts:
        assert part in said


def test_unknown_channel_is_told_beside_what_could_not_be_read() -> None:
    said = refused_scenario(
        '[[moves]]\nat = 1\n[[moves]]\nat = "0 s"\nchannel = "rol"\nposition = 0.5\n'
        '[[faults]]\nfault = "stick wire broken"\nat = "0 s"\nchannel = "yaww"\nrail = "lo"\n'
    )
    assert "run.toml:5:11: moves[2].channel: no channel 'rol'; did you mean 'roll'?" in said
    assert "run.toml:1:1: moves[1].channel: is missing" in said
    assert "run.toml:11:8: faults[1].rail: 'lo' is not one of the choices; did you mean 'low'?" in said


def faults() -> st.SearchStrategy[Any]:
    """Return any fault, with its instants drawn and all else at its default."""

    def one(name: str, at_us: int, for_us: int | None) -> Any:
        kind = FAULTS[name]
        names = {field.name for field in dataclasses.fields(kind)}
        control = "switch 1" if name == "switch bounces" else "throttle"
        more: dict[str, Any] = {"channel": control} if "channel" in names else {}
        if "for_us" in names:
            more["for_us"] = for_us
        return kind(at_us=at_us, **more)

    lasting = st.none() | st.integers(1, 10**8)
    return st.builds(one, st.sampled_from(sorted(FAULTS)), st.integers(0, 10**8), lasting)


@settings(deadline=None)
@given(
    st.builds(
        Scenario,
        seed=st.integers(0, 2**63 - 1),
        trial=st.integers(0, 10**6),
        duration_us=st.integers(1, 10**10),
        handset_clock_us=st.integers(0, 2**32 - 1),
        receiver_clock_us=st.integers(0, 2**32 - 1),
        packet_phase_us=st.none() | st.integers(0, 10**6),
        moves=st.lists(
            st.builds(
                Move,
                at_us=st.integers(0, 10**8),
                channel=st.sampled_from(["throttle", "switch 1"]),
                position=st.floats(0, 1),
                ramp_us=st.integers(0, 10**7),
            ),
            max_size=3,
        ).map(tuple),
        faults=st.lists(faults(), max_size=4).map(tuple),
    )
)
def test_any_scenario_survives(scenario: Scenario) -> None:
    # with them a radio forgets something, and a battery falls
    profile = Profile(handset=HandsetSettings(address="d2:4a:91:07:3e"), battery=BatterySettings(input_range_mv=6_600))
    assert parse_scenario(write_scenario(scenario), profile) == scenario


def test_a_battery_that_nobody_measures_does_not_fall() -> None:
    falls = '[[faults]]\nfault = "battery falls"\nat = "1 s"\nto = "3.3 V"\n'
    with pytest.raises(ProfileError, match=r"2:9: faults\[1\]\.fault: the profile declares no input for the battery"):
        parse_scenario(falls, Profile())


@pytest.mark.parametrize(
    ("key", "value", "allowed"),
    [
        ("full", "7 V", "1.65 V to 6.6 V"), ("warn", "4.1 V", "2.1 V to 4.008 V"),
        ("lowest", "3.5 V", "2.1 V to 3.408 V"),
    ],
)  # fmt: skip
def test_voltages_of_a_battery_are_apart(key: str, value: str, allowed: str) -> None:
    """By twice 2 % of 4.2 V and two steps of 6.6 V / 1024, 12 mV: 192 mV."""
    with pytest.raises(ProfileError, match=rf"battery\.{key}: {value} cannot be distinguished, .*; allowed: {allowed}"):
        parse_profile(f'[battery]\ninput_range = "6.6 V"\n{key} = "{value}"\n')


def test_a_radio_that_nobody_sets_up_forgets_nothing() -> None:
    forgets = '[[faults]]\nfault = "handset radio forgets"\nat = "1 s"\n'
    with pytest.raises(ProfileError, match=r"2:9: faults\[1\]\.fault: the profile declares no address"):
        parse_scenario(forgets, Profile())


@pytest.mark.parametrize(
    "address", ["d2:4a:91:07", "d2:4a:91:07:3e:00", "d2-4a-91-07-3e", "d2:4a:91:07:3g", "d24a91073e"]
)
def test_an_address_has_its_bytes(address: str) -> None:
    with pytest.raises(
        ProfileError, match=r"handset\.address: .* is not an address of 5 bytes \(radio\.address_bytes\)"
    ):
        parse_profile(f'[handset]\naddress = "{address}"\n')


def test_faults_of_a_handset_are_read() -> None:
    scenario = parse_scenario(
        'handset_clock = "4294.96 s"\n[[faults]]\nfault = "handset reset"\nat = "1 s"\n'
        '[[faults]]\nfault = "handset loop hung"\nat = "2 s"\n'
        '[[faults]]\nfault = "handset radio busy"\nat = "3 s"\nfor = "15 ms"\n'
        '[[faults]]\nfault = "switch bounces"\nat = "0 s"\nchannel = "switch 2"\nbounce = "4 ms"\n',
        Profile(),
    )
    assert scenario.handset_clock_us == 4_294_960_000
    assert scenario.faults == (
        HandsetReset(at_us=1_000_000),
        HandsetLoopHung(at_us=2_000_000),
        HandsetRadioBusy(at_us=3_000_000, for_us=15_000),
        SwitchBounces(at_us=0, channel="switch 2", bounce_us=4_000),
    )


def test_a_link_without_a_switch_has_none_that_bounces() -> None:
    sticks = dataclasses.replace(Profile(), channels=Profile().channels[:4])
    with pytest.raises(ProfileError, match=r"channel: 'yaw' is a stick, .* needs a switch; this link has no switch"):
        parse_scenario('[[faults]]\nfault = "switch bounces"\nat = "0 s"\nchannel = "yaw"\n', sticks, "run.toml")


def test_scenario_on_disk(tmp_path: Path) -> None:
    path = tmp_path / "run.toml"
    scenario = Scenario(seed=3, faults=(LinkCut(at_us=123_457),))
    path.write_text(write_scenario(scenario), encoding="utf-8")
    assert read_scenario(path, Profile()) == scenario
