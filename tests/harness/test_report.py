"""The report of an evidence folder: what it says, what it may not do, and what strangers' data cannot do to it."""

from __future__ import annotations

import base64
import csv
import dataclasses
import datetime as dt
import hashlib
import io
import itertools
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from faulty.zoo import HoldsForEver
from hypothesis import given
from hypothesis import strategies as some
from report.reporting import HERON, judged, lost_link, make
from scipy import stats

from lostlink.campaigns.times import NEVER_US
from lostlink.cli import main
from lostlink.errors import EvidenceError, LostlinkError, UsageError
from lostlink.evidence.document import Document
from lostlink.evidence.exports import csv_text
from lostlink.evidence.folder import EvidenceFolder, write_evidence
from lostlink.evidence.run_reader import MOST_ENTRIES, RunDataError, read_run, read_runs
from lostlink.evidence.run_writer import as_data, packed, save
from lostlink.measure import failsafe
from lostlink.profiles import read_profile
from lostlink.report import complete, figures, write_report
from lostlink.report.distributions import MOST_POINTS, RequirementTimes
from lostlink.report.markup import data_block, escape, tag
from lostlink.report.palette import DARK, LIGHT, Palette
from lostlink.report.rows import KINDS, SIGNS
from lostlink.results import CAUTIONS
from lostlink.verdicts import Outcome
from lostlink_sims import ReferenceReceiver

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&</title></style><!--\u2028\x00\u202e"


class Page(HTMLParser):
    """A page as a reader that is not ours takes it apart: Python's own parser."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self.said: list[str] = []
        self._in = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._in = tag
        if tag == "script":
            self.scripts.append((dict(attrs), ""))

    def handle_endtag(self, tag: str) -> None:
        self._in = ""

    def handle_data(self, data: str) -> None:
        if self._in == "script":
            attributes, before = self.scripts[-1]
            self.scripts[-1] = (attributes, before + data)
        elif self._in != "style":
            self.said.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.said))

    def all(self, attribute: str) -> list[str]:
        return [value or "" for _, attributes in self.tags for name, value in attributes.items() if name == attribute]

    def data(self, name: str) -> Any:
        return next(json.loads(text) for attributes, text in self.scripts if attributes.get("id") == name)


def page_of(folder: Path) -> Page:
    return Page(write_report(folder).read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("good"))


@pytest.fixture(scope="module")
def bad(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("bad"), HoldsForEver)


# --- what it says ----------------------------------------------------------------------------------------------------


def test_first_screen(bad: Path) -> None:
    """Conclusion, verdicts by severity, what was tested and what was not, cautions, in this order, before the rest."""
    text = page_of(bad).text
    said = json.loads((bad / "verdicts.json").read_text(encoding="utf-8"))
    places = [
        text.index(words)
        for words in (
            said["conclusion"], "4 verdicts", "What was tested", said["tested"]["profile_sha256"][:12],
            "What was not tested", "Cautions", CAUTIONS[0], CAUTIONS[2], "Critical requirements",
        )
    ]  # fmt: skip
    assert places == sorted(places)
    assert said["conclusion"].startswith("Do not fly this link")
    for words in (
        "2026-05-01 00:00:00 UTC",
        "no packet counter",
        "simulated",
        "lostlink prove heron.toml --only FS-CUT",
    ):
        assert words in text


def test_links_lead_somewhere(bad: Path) -> None:
    """Every link within the page has its target, every file that is linked lies there, no id comes twice."""
    page = page_of(bad)
    ids = page.all("id")
    assert len(ids) == len(set(ids))
    within = [href[1:] for href in page.all("href") if href.startswith("#")]
    assert any(anchor.startswith("requirement-") for anchor in within)
    assert set(within) <= set(ids)
    assert all((bad / href).is_file() for href in page.all("href") if not href.startswith("#"))
    for name in ("aria-labelledby", "aria-describedby"):
        assert set(page.all(name)) <= set(ids)


def test_never_says_that_a_model_is_safe(good: Path) -> None:
    """The words stand in the caution and nowhere else; a folder cannot leave a caution out."""
    file = good / "verdicts.json"
    document = json.loads(file.read_text(encoding="utf-8"))
    file.write_text(json.dumps({**document, "cautions": []}), encoding="utf-8")
    text = page_of(good).text
    assert all(caution in text for caution in CAUTIONS)
    assert len(re.findall("safe to fly", text)) == 1


def test_every_outcome_has_a_sign_of_its_own() -> None:
    """WCAG 2.2, 1.4.1: colour is not the only means."""
    assert set(SIGNS) == set(KINDS) == set(Outcome)
    assert len(set(SIGNS.values())) == len(Outcome)


def test_made_again_from_the_folder_alone(bad: Path) -> None:
    first = write_report(bad).read_bytes()
    assert write_report(bad).read_bytes() == first


def test_without_the_plotting_library(bad: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All in words, and how to get the charts."""
    with_charts = write_report(bad).stat().st_size
    monkeypatch.setattr(figures, "plotting", lambda: None)
    page = page_of(bad)
    assert "pip install 'lostlink[report]'" in page.text
    assert "throttle pulse 2000 µs" in page.text or "throttle pulse" in page.text
    assert len([1 for attributes, _ in page.scripts if attributes.get("type") is None]) == 1
    assert (bad / "report.html").stat().st_size < with_charts / 10


# --- what it may not do ----------------------------------------------------------------------------------------------


def test_nothing_comes_from_elsewhere(bad: Path) -> None:
    """One file: no source, no address, and a policy that lets none in."""
    page = page_of(bad)
    assert not page.all("src")
    assert not [href for href in page.all("href") if ":" in href or href.startswith("//")]
    style = re.search("<style>(.*?)</style>", (bad / "report.html").read_text(encoding="utf-8"), re.DOTALL)
    assert style is not None
    assert "url(" not in style[1]
    assert "@import" not in style[1]


def test_policy_names_the_scripts(bad: Path) -> None:
    """CSP Level 3, 2.3.1: base64 of the SHA-256 of the script as it stands in the element."""
    page = page_of(bad)
    policy = next(said["content"] for _, said in page.tags if said.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    runs = [text for attributes, text in page.scripts if attributes.get("type") != "application/json"]
    assert len(runs) == 2
    wanted = [f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'" for text in runs]
    rules = {rule.split()[0]: rule.split()[1:] for rule in policy.split("; ")}
    assert rules["script-src"] == wanted
    assert rules["default-src"] == ["'none'"]
    assert "'unsafe-eval'" not in policy
    # First in the head but for the character set: what stands before a policy is not under it.
    assert [name for name, _ in page.tags[:4]] == ["html", "head", "meta", "meta"]


def test_strangers_words_stay_words(tmp_path: Path) -> None:
    """Names of link, file, requirement, fault, fate and channel that would be a script: shown, not run."""
    make(tmp_path, name=HOSTILE[:60], file=f"{HOSTILE[:40]}.toml", reason=HOSTILE[:70])
    file = tmp_path / "verdicts.json"
    document = json.loads(file.read_text(encoding="utf-8"))
    for place, verdict in enumerate(document["verdicts"]):
        document["verdicts"][place] = {
            key: HOSTILE if isinstance(value, str) and key not in ("id", "severity", "outcome") else value
            for key, value in verdict.items()
        }
    document["tested"].update(
        receiver=HOSTILE,
        rig=HOSTILE,
        only=[HOSTILE],
        versions={HOSTILE: HOSTILE},
        bench={HOSTILE: HOSTILE},
    )
    document["conclusion"] = HOSTILE
    file.write_text(json.dumps(document), encoding="utf-8")
    for run in (tmp_path / "runs").glob("*.json"):
        data = json.loads(run.read_text(encoding="utf-8"))
        data["packets"]["fates"] = [HOSTILE] * len(data["packets"]["fates"])
        data["faults"][0]["name"] = data["scenario"]["name"] = data["doubt"] = data["crash"] = HOSTILE
        data["judged"].update(name=HOSTILE, measured=HOSTILE, limit=HOSTILE, unit=HOSTILE)
        data["events"] = [[0, f"{HOSTILE}\ud800"]]
        for channel in data["channels"]:
            channel["name"] = HOSTILE
        run.write_text(json.dumps(data), encoding="utf-8")
    page = page_of(tmp_path)
    assert len([1 for attributes, _ in page.scripts if attributes.get("type") != "application/json"]) == 2
    assert not [name for _, said in page.tags for name in said if name.startswith("on")]
    assert "img" not in {name for name, _ in page.tags}
    assert page.text.count("<script>alert(1)</script>") > 20
    assert page.data("run-requirement-1")["channels"][0]["name"].startswith("<script>")


@given(some.text(alphabet=some.characters(), max_size=60))
def test_text_is_text(text: str) -> None:
    """What goes in as text comes out as the same text, whatever it is, but for what no page can hold."""
    page = Page(f"<p>{escape(text)}</p>" + tag("p", "x", title=text))
    wanted = "".join(c if c in "\t\n\r" or (c >= " " and not "\x7f" <= c <= "\x9f") else "\ufffd" for c in text)
    wanted = wanted.encode("utf-8", "replace").decode()
    assert "".join(page.said) == wanted + "x"
    assert page.all("title") == [wanted]


@given(
    some.recursive(some.text(max_size=20) | some.integers(), lambda inner: some.lists(inner, max_size=3), max_leaves=6)
)
def test_data_is_data(data: Any) -> None:
    page = Page(data_block("it", [data, "</script><script>1</script><!--"]))
    assert page.data("it") == [data, "</script><script>1</script><!--"]
    assert len(page.scripts) == 1


def test_scripts_end_where_they_end() -> None:
    """No text within a script of the page could end its element (HTML Living Standard, 4.12.1.3)."""
    from lostlink.report.page import _harmless

    assert "</script" not in _harmless("a = '</script>'; b = '<!--'; // \r\n")
    assert "\r" not in _harmless("1\r\n2\r3")


# --- the run that is kept --------------------------------------------------------------------------------------------


def unpacked(column: list[Any]) -> list[int]:
    """Read a column as its documentation says, in another way than the one it was written in."""
    steps = itertools.chain.from_iterable([e[0]] * e[1] if isinstance(e, list) else [e] for e in column)
    return list(itertools.accumulate(steps))


@given(some.lists(some.integers(-(2**40), 2**40), max_size=40) | some.lists(some.sampled_from([5, 6]), max_size=40))
def test_columns_come_back(values: list[int]) -> None:
    column = packed(np.array(values, np.int64))
    assert unpacked(json.loads(json.dumps(column))) == values


def test_regular_columns_are_small() -> None:
    assert packed(np.arange(0, 5_000_000, 5000)) == [0, [5000, 999]]


def test_run_tells_what_the_csv_tells() -> None:
    """The kept run and the CSV of the same trace, made by other code, agree on every packet, frame and step."""
    trace, _ = lost_link(read_profile(HERON), ambient=True, after_us=3_000_000)
    data = as_data("FS-CUT", trace)
    rows = list(csv.DictReader(io.StringIO(csv_text(trace))))

    def column(event: str, key: str = "at_us") -> list[int]:
        return [int(row[key]) for row in rows if row["event"] == event]

    left, delay = unpacked(data["packets"]["left_us"]), unpacked(data["packets"]["delay_us"])
    assert left == column("packet left")
    assert sorted(at + late for at, late in zip(left, delay, strict=True) if late >= 0) == column("packet arrived")
    fates = [data["packets"]["fates"][fate] for fate in unpacked(data["packets"]["fate"])]
    assert fates == [row["detail"] for row in rows if row["event"] == "packet left"]
    assert len(set(fates)) >= 3  # the flight met more than one fate, or this shows little
    assert unpacked(data["frames"]["start_us"]) == column("frame")
    widths = zip(*map(unpacked, data["frames"]["widths_us"]), strict=True)
    assert [" ".join(map(str, row)) for row in widths] == [row["detail"] for row in rows if row["event"] == "frame"]
    for name, event in (("failsafe", "failsafe flag"), ("motor", "motor command"), ("arming", "arming")):
        instants, values = data[name]
        assert (unpacked(instants), unpacked(values)) == (column(event), column(event, "value"))


def test_moments(tmp_path: Path) -> None:
    """Loss, cut and deadline stand where scenario, measurement and limit say."""
    trace, since = lost_link(read_profile(HERON))
    said = judged(trace, since)["FS-CUT"]
    run = read_run(save(tmp_path, "FS-CUT", trace, said))
    from lostlink.report.timelines import moments

    assert moments(run) == [
        ("struck", "link cut", since),
        ("cut", "throttle cut", since + round(said.measurement.value)),
        ("deadline", "limit", since + trace.profile.requirements.cut_within_us),
    ]


def test_no_cut_is_marked_where_there_was_none(tmp_path: Path) -> None:
    trace, since = lost_link(read_profile(HERON), HoldsForEver)
    run = read_run(save(tmp_path, "FS-CUT", trace, judged(trace, since)["FS-CUT"]))
    assert run.data["cut_us"] is None
    assert run.judged is not None
    assert run.judged["outcome"] == "not met"


def test_uncertainty_is_told(tmp_path: Path) -> None:
    """± reaches the kept run and the words beside the chart."""
    trace, since = lost_link(read_profile(HERON))
    trace = dataclasses.replace(trace, uncertainty_us=4_000)
    make(tmp_path, trace=(trace, since))
    page = page_of(tmp_path)
    assert page.data("run-requirement-1")["uncertainty_us"] == 4_000
    assert "± 4000 µs, shown as a hatched band" in page.text


def test_only_spans_have_a_beginning() -> None:
    """What began and ended has both instants; a width has the one at which it was seen."""
    trace, since_us = lost_link(read_profile(HERON))
    cut = failsafe.time_to_cut(trace, since_us)
    assert (cut.since_us, cut.at_us) == (since_us, since_us + cut.value)
    assert failsafe.widest_throttle(trace, 0, since_us).since_us is None


def test_file_names_stay_in_the_folder(tmp_path: Path) -> None:
    trace, _ = lost_link(read_profile(HERON))
    for name in ("../../evil", "C:\\evil", "a/b", "", "x" * 500):
        assert save(tmp_path / "runs", name, trace).parent == tmp_path / "runs"
        assert not list(tmp_path.glob("*.json"))


# --- what cannot be read ---------------------------------------------------------------------------------------------


def spoiled(**changes: Any) -> str:
    trace, _ = lost_link(read_profile(HERON), ReferenceReceiver)
    data = as_data("FS-CUT", trace)
    for path, value in changes.items():
        *parents, last = path.split("__")
        place = data
        for parent in parents:
            place = place[parent]
        place[last] = value
        if value is None:
            del place[last]
    return json.dumps(data)


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"schema": 2}, "schema"),
        ({"id": 5}, "id"),
        ({"duration_us": -1}, "duration_us"),
        ({"duration_us": True}, "duration_us"),
        ({"duration_us": float("nan")}, "NaN"),
        ({"judged": []}, "judged"),
        ({"channels": []}, "channels"),
        ({"channels": [{"name": "a", "role": "pilot"}]}, "channels"),
        ({"events": [[1]]}, "events"),
        ({"packets__left_us": [0, [5000, 10**12]]}, f"at most {MOST_ENTRIES}"),
        ({"packets__left_us": [0, [5000, -3]]}, "packets.left_us"),
        ({"packets__left_us": [[5000, 3]]}, "packets.left_us"),
        ({"packets__fate": [0]}, "packets.fate"),
        ({"frames__widths_us": []}, "frames.widths_us"),
        ({"frames__cut_short": [[10**6, 0]]}, "frames.cut_short"),
        ({"motor": [[0, 1], [0]]}, "motor"),
        ({"faults": [{"name": "x"}]}, "faults"),
        ({"crash": None}, "crash"),
        ({"judged": None}, "judged"),
        (
            {
                "judged": {
                    "name": "x",
                    "measured": "",
                    "limit": "",
                    "unit": "",
                    "outcome": "met",
                    "uncertainty": 0,
                    "value": 1,
                    "at_least": None,
                    "at_us": 1,
                    "since_us": 1,
                }
            },
            "judged.at_most",
        ),
    ],
)
def test_spoiled_runs_are_told(tmp_path: Path, changes: dict[str, Any], where: str) -> None:
    """The place and what is allowed, in one line; never a page made of garbage."""
    file = tmp_path / "run.json"
    file.write_text(spoiled(**changes), encoding="utf-8")
    with pytest.raises(RunDataError, match=re.escape(where)) as caught:
        read_run(file)
    assert "allowed: " in str(caught.value) or "write the evidence again" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "\x00", "[" * 100_000, '{"schema": 1}'])
def test_garbage_is_no_run(tmp_path: Path, text: str) -> None:
    file = tmp_path / "run.json"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(RunDataError, match=r"allowed|write the evidence again"):
        read_run(file)


def test_a_repeated_key_is_no_run(tmp_path: Path) -> None:
    """Only one of two values could be shown."""
    file = tmp_path / "run.json"
    file.write_text(spoiled().replace('"doubt":', '"doubt": "", "doubt":', 1), encoding="utf-8")
    with pytest.raises(RunDataError, match="doubt"):
        read_run(file)


def test_a_spoiled_run_spoils_no_report(tmp_path: Path) -> None:
    """The others stay; the page names the one that could not be read."""
    make(tmp_path)
    (tmp_path / "runs" / "FS-CUT.json").write_bytes(b"\xff\xfe{")
    runs, told = read_runs(tmp_path)
    assert set(runs) == {"FS-MOTOR", "FS-VALUE"}
    page = page_of(tmp_path)
    assert "Runs that could not be read" in page.text
    assert told[0] in page.text
    assert len(page.all("data-run")) == 2
    done = CliRunner().invoke(main, ["report", str(tmp_path)])
    assert (done.exit_code, done.stderr) == (2, f"lostlink: written without 1 of its runs: {told[0]}\n")
    assert page_of(tmp_path).text == page.text


@pytest.mark.parametrize(
    "text", [None, "", "{", "[]", '{"schema": 2}', '{"schema": 1, "conclusion": "x", "tested": {}}']
)
def test_no_evidence(tmp_path: Path, text: str | None) -> None:
    """One line, exit code 2, no traceback, no report."""
    if text is not None:
        (tmp_path / "verdicts.json").write_text(text, encoding="utf-8")
    with pytest.raises(EvidenceError, match=r"allowed: the --out folder|reads schema 1"):
        write_report(tmp_path)
    assert issubclass(EvidenceError, LostlinkError)
    result = CliRunner().invoke(main, ["report", str(tmp_path)])
    assert result.exit_code == 2
    assert result.output.count("\n") == 1
    assert "Traceback" not in result.output
    assert not (tmp_path / "report.html").exists()


def test_evidence_without_a_report_is_kept(tmp_path: Path) -> None:
    """Where a page cannot be made of it, all other files take their place."""
    from lostlink.watch import evidence_files as by_hand

    head = by_hand.watch_head(None, None, "/dev/ttyX", dt.datetime(2026, 5, 1, tzinfo=dt.UTC))
    with EvidenceFolder(tmp_path / "out") as folder:
        write_evidence(folder.path, Document("Met, by no verdict.", 0, head, ()), "", profile=None)
        with pytest.raises(UsageError, match="all other files are written"):
            complete(folder)
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"verdicts.json", "summary.md"}


def test_command_writes_it(good: Path) -> None:
    (good / "report.html").unlink(missing_ok=True)
    result = CliRunner().invoke(main, ["report", str(good)])
    assert result.exit_code == 0
    assert Path(result.output.strip()) == good / "report.html"
    assert (good / "report.html").is_file()


def test_a_link_in_place_of_the_report_is_replaced_and_not_followed(good: Path, tmp_path: Path) -> None:
    precious = tmp_path / "precious.html"
    precious.write_text("mine", encoding="utf-8")
    (good / "report.html").unlink(missing_ok=True)
    (good / "report.html").symlink_to(precious)
    assert CliRunner().invoke(main, ["report", str(good)]).exit_code == 0
    assert precious.read_text(encoding="utf-8") == "mine"
    assert not (good / "report.html").is_symlink()


# --- campaigns -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("campaign")
    CliRunner().invoke(main, ["campaign", str(HERON), "--trials", "600", "--quiet", "--out", str(folder)])
    return folder


def test_campaign(campaign: Path) -> None:
    """Distribution with limit and bound, and each worst trial with the command that flies it again."""
    page = page_of(campaign)
    said = json.loads((campaign / "campaign.json").read_text(encoding="utf-8"))
    first = said["requirements"][0]
    assert f"0 of {first['judged']} trials" in page.text
    assert f"is below {first['upper_bound']:.2g}, at 95 %" in page.text
    assert "lostlink replay worst/FS-CUT-1.scenario.toml profile.toml" in page.text
    assert "worst/FS-CUT-1.scenario.toml" in page.all("href")
    assert [block for block in page.all("data-item") if block not in page.all("id")] == []
    assert "limit 550 ms" in page.data("campaign-1")


@given(
    some.dictionaries(some.integers(400_000, 600_000), some.integers(1, 40), min_size=1, max_size=60),
    some.integers(0, 9),
)
def test_curve_is_the_survival_function(taken: dict[int, int], never: int) -> None:
    """Against scipy's empirical distribution; trials in which it never came stay above the curve's end."""
    values = np.array(sorted(taken), np.int64)
    counts = np.array([taken[value] for value in values.tolist()], np.int64)
    sample = np.repeat(values, counts)
    if never:
        values, counts = np.append(values, NEVER_US), np.append(counts, never)
        sample = np.append(sample, np.full(never, NEVER_US))
    at_us, later = RequirementTimes({}, values, counts).later_than()
    theirs = stats.ecdf(sample).sf
    assert at_us.tolist() == sorted(taken)
    assert later == pytest.approx(theirs.evaluate(at_us), abs=1e-12)


def test_long_columns_are_thinned_at_the_head() -> None:
    """A page is no wider than so many points; of the tail, where the limit is, none is left out."""
    values = np.arange(1_000_000, dtype=np.int64)
    at_us, later = RequirementTimes({}, values, np.ones_like(values)).later_than()
    assert len(at_us) <= MOST_POINTS + 1
    assert at_us[-50:].tolist() == values[-50:].tolist()
    assert at_us[0] == 0
    assert later == pytest.approx(1 - (at_us + 1) / 1e6, abs=1e-9)


@pytest.mark.parametrize(
    "edit", [{"losses": [[5, 0, 3]]}, {"requirements": [{"times": {"values_us": [1, 2], "counts": [1]}}]}], ids=str
)
def test_contradictory_campaign_is_refused(campaign: Path, tmp_path: Path, edit: dict[str, Any]) -> None:
    """Values of the right types that cannot be together."""
    (tmp_path / "verdicts.json").write_bytes((campaign / "verdicts.json").read_bytes())
    data = json.loads((campaign / "campaign.json").read_text(encoding="utf-8"))
    data["losses"] = edit.get("losses", data["losses"])
    data["requirements"][0].update(edit.get("requirements", [{}])[0])
    (tmp_path / "campaign.json").write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(EvidenceError, match=r"campaign\.json: .*(losses|times)"):
        write_report(tmp_path)


@pytest.mark.parametrize("text", ["{", "{}", "[]", '{"schema": 2}'])
def test_what_is_no_campaign_is_refused(campaign: Path, tmp_path: Path, text: str) -> None:
    (tmp_path / "verdicts.json").write_bytes((campaign / "verdicts.json").read_bytes())
    (tmp_path / "campaign.json").write_text(text, encoding="utf-8")
    with pytest.raises(EvidenceError, match=r"campaign\.json"):
        write_report(tmp_path)


# --- a test by hand --------------------------------------------------------------------------------------------------


def test_attempts(tmp_path: Path) -> None:
    """As `lostlink watch` leaves them; a cell may hold anything, a file that is none is told."""
    from lostlink.watch import evidence_files as by_hand
    from lostlink.watch.judging import Attempt, AttemptResult

    head = by_hand.watch_head(None, None, "/dev/ttyX", dt.datetime(2026, 5, 1, tzinfo=dt.UTC))
    attempts = [Attempt(result=AttemptResult.NOT_MOVED)]
    document = Document("The failsafe came.", 4, head, ())
    texts = by_hand.files([], None, 0, attempts)
    write_evidence(tmp_path, document, by_hand.summary_text(document, attempts, []), profile=None, files=texts)
    page = page_of(tmp_path)
    assert "Attempts: each time the handset was switched off" in page.text
    assert AttemptResult.NOT_MOVED.value in page.text
    (tmp_path / "attempts.csv").write_text(f'a,b\n{HOSTILE[:20]},"x\ny"\n', encoding="utf-8")
    assert HOSTILE[:20] in page_of(tmp_path).text
    for spoiled_file in (b"", b"\xff\xfe\x00"):
        (tmp_path / "attempts.csv").write_bytes(spoiled_file)
        assert "attempts.csv: cannot be read" in page_of(tmp_path).text


# --- colours ---------------------------------------------------------------------------------------------------------


def linear(color: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return linear RGB, 0 .. 1 (IEC 61966-2-1, as in WCAG 2.2)."""
    share = np.array([int(color[place : place + 2], 16) for place in (1, 3, 5)]) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of WCAG 2.2."""
    bright = sorted(float(linear(color) @ [0.2126, 0.7152, 0.0722]) for color in (one, other))
    return (bright[1] + 0.05) / (bright[0] + 0.05)


def lab(rgb: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return CIE L*a*b* of linear sRGB, D65 (CIE 15)."""
    to_xyz = np.array(
        [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
    )
    xyz = to_xyz @ np.clip(rgb, 0, 1) / to_xyz.sum(1)
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


# Machado, Oliveira, Fernandes, A Physiologically-based Model for Simulation of Color Vision Deficiency,
# IEEE TVCG 15(6), 2009, severity 1.0.
DICHROMATS = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def test_contrast_formula() -> None:
    """W3C, Understanding 1.4.3: #767676 on white is the palest grey with 4.5 : 1; black on white is 21 : 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_contrasts(palette: Palette) -> None:
    """WCAG 2.2: 4.5 for text (1.4.3), 3 for what must be seen in a chart (1.4.11)."""
    for ground in (palette.ground, palette.card):
        for name in ("ink", "quiet", "good", "bad", "doubt", "none", "limit", "focus"):
            assert contrast(getattr(palette, name), ground) >= 4.5, name
    for name in ("throttle", "arm", "other", "received", "lost", "pulses", "motor", "mark"):
        assert contrast(getattr(palette, name), palette.card) >= 3, name


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("eyes", DICHROMATS)
def test_colours_stay_apart(palette: Palette, eyes: str) -> None:
    """Twice 2.3 is plain to see (a just noticeable difference in CIELAB: Mahy et al., 1994); ours are ten apart."""
    matrix = np.array(DICHROMATS[eyes])
    for one, other in (
        ("good", "bad"),
        ("received", "lost"),
        ("throttle", "arm"),
        ("throttle", "limit"),
        ("good", "limit"),
    ):
        seen = [lab(matrix @ linear(getattr(palette, name))) for name in (one, other)]
        assert float(np.linalg.norm(seen[0] - seen[1])) > 10, (one, other)
