"""The report in a real browser: headless Chromium, no network, no console error, zoom, links, keyboard, accessibility.

Needs playwright, axe-playwright-python (which brings axe-core) and a Chromium on the PATH; skipped where one is not
there.
"""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from faulty.zoo import HoldsForEver
from report.reporting import HERON, lost_link, make, make_by_hand
from talking_board import TalkingBoard

from lostlink.cli import main
from lostlink.evidence.run_writer import JudgedMeasurement, save
from lostlink.measure import failsafe
from lostlink.profiles import read_profile
from lostlink.report import figures, write_report
from lostlink.verdicts import Limit

playwright = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the PATH"),
    pytest.mark.skipif(figures.plotting() is None, reason="the plotting library is not installed"),
]

RANGE = """() => Bokeh.documents.filter((made) => made.get_model_by_name("time")).map((made) => {
  const {start, end} = made.get_model_by_name("time"); return [start, end]; })"""
VIEW = "#requirement-1 .view"
LOOKED_AT = ((1280, "dark"), (360, "light"))
LOOKED_AT_LONG = ((1280, "light"), (360, "dark"))


class Tab:
    """A page of a browser that is offline, and what went wrong on it."""

    def __init__(self, browser: Any, report: Path, anchor: str = "", **context: Any) -> None:
        context = {"offline": True, "viewport": {"width": 1280, "height": 900}, **context}
        self.context = browser.new_context(**context)
        self.page = self.context.new_page()
        self.wrong: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("dialog", self._dismiss)
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(report.as_uri() + anchor)
        if context.get("java_script_enabled", True):
            self.page.wait_for_selector("html[data-ready]")

    def _hear(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.wrong.append(message.text)

    def _dismiss(self, dialog: Any) -> None:
        self.wrong.append(dialog.message)
        dialog.dismiss()

    def drawn(self, requirement: str = "requirement-1") -> Any:
        """Wait for a timeline and return its page."""
        self.page.wait_for_selector(f"#{requirement} [data-run][data-ready]")
        return self.page

    def seen(self) -> list[float]:
        """Return the range of time in view in the first timeline."""
        ranges: list[list[float]] = self.page.evaluate(RANGE)
        return ranges[0]


Opener = Callable[..., Tab]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    arguments = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
    with playwright.sync_playwright() as running:
        opened = running.chromium.launch(executable_path=CHROMIUM, args=[*arguments, "--disable-component-update"])
        yield opened
        opened.close()


@pytest.fixture
def tab(browser: Any) -> Iterator[Opener]:
    opened: list[Tab] = []

    def opener(*words: Any, **context: Any) -> Tab:
        opened.append(Tab(browser, *words, **context))
        return opened[-1]

    yield opener
    for one in opened:
        assert one.wrong == []  # no test ends well with an error on the console
        assert all(url.startswith("file:") for url in one.asked)
        one.context.close()


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_report(make(tmp_path_factory.mktemp("good")))


@pytest.fixture(scope="module")
def bad(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_report(make(tmp_path_factory.mktemp("bad"), HoldsForEver))


@pytest.fixture(scope="module")
def loaded(browser: Any, good: Path) -> Iterator[Tab]:
    """Return a page with its first timeline drawn, for several tests: to draw one takes four seconds."""
    opened = Tab(browser, good, "#requirement-1")
    opened.drawn()
    yield opened
    opened.context.close()


@pytest.fixture
def timeline(loaded: Tab) -> Iterator[Tab]:
    """Return that page as it was at first."""
    page = loaded.page
    page.emulate_media(color_scheme="light")
    page.wait_for_selector('#requirement-1 [data-ready="light"]')
    page.mouse.move(0, 0)
    page.locator(VIEW).focus()
    page.keyboard.press("Home")
    yield loaded
    assert loaded.wrong == []
    assert all(url.startswith("file:") for url in loaded.asked)


def test_passing_run(tab: Opener, good: Path) -> None:
    """Opens with the conclusion in the first screen; timelines are closed until they are asked for; one request."""
    opened = tab(good)
    heading = opened.page.locator("h1")
    assert heading.is_visible()
    assert "not tested" in heading.inner_text()
    assert opened.page.locator("h1").count() == 1
    assert opened.page.locator(".view:visible").count() == 0
    opened.page.locator("#requirement-1 > summary").click()
    opened.drawn()
    assert len(opened.asked) == 1


@pytest.mark.long
def test_limit_of_a_motor_command(tab: Opener, tmp_path: Path) -> None:
    """It is drawn in % of full, as the lane is."""
    profile = read_profile(HERON)
    trace, since_us = lost_link(profile, HoldsForEver)
    folder = make(tmp_path, HoldsForEver)
    highest = failsafe.highest_motor_command(trace, since_us)
    save(folder / "runs", "FS-MOTOR", trace, JudgedMeasurement(highest, Limit(at_most=20, unit="%")))
    opened = tab(write_report(folder))
    row = opened.page.locator("main details", has=opened.page.locator("summary b", has_text="FS-MOTOR")).first
    anchor = row.get_attribute("id")
    opened.page.evaluate("(id) => { document.getElementById(id).open = true; }", anchor)
    opened.drawn(anchor)
    levels = """() => Bokeh.documents.map((made) => made.get_model_by_name("motor-limit").data.y).filter(
      (y) => y.length).map((y) => y[0])"""
    assert opened.page.evaluate(levels) == [20]


def test_from_a_failed_verdict_to_its_timeline(tab: Opener, bad: Path) -> None:
    """The link in the first screen opens the requirement, draws its charts and shows the moment of loss."""
    opened = tab(bad)
    link = opened.page.locator(".worst a", has_text="FS-VALUE")
    anchor = (link.get_attribute("href") or "")[1:]
    opened.page.evaluate("(id) => { document.getElementById(id).open = false; }", anchor)
    link.click()
    page = opened.drawn(anchor)
    assert page.locator(f"#{anchor} .view").is_visible()
    assert page.evaluate("document.activeElement.parentElement.id") == anchor
    assert "link cut" in page.locator(f"#{anchor} .moments").inner_text()
    box = page.locator(f"#{anchor} > summary").bounding_box()
    assert 0 <= box["y"] < 900


def test_zoom_by_button(timeline: Tab) -> None:
    opened, page = timeline, timeline.page
    start, end = opened.seen()
    page.get_by_role("button", name="Zoom in").first.click()
    closer = opened.seen()
    assert closer[1] - closer[0] == pytest.approx((end - start) / 2)
    assert sum(closer) / 2 == pytest.approx((start + end) / 2)
    page.get_by_role("button", name="Whole run").first.click()
    whole = opened.seen()
    assert whole[0] == 0
    assert whole[1] > end
    assert "showing 0.000 s to" in page.locator("#requirement-1 .readout").inner_text()


@pytest.mark.long
def test_zoom_by_keyboard(tab: Opener, good: Path) -> None:
    """Reached by Tab, and + - arrows 0 Home do what the words beside the chart say."""
    opened = tab(good, "#requirement-1")
    page = opened.drawn()
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.matches('#requirement-1 .view')"):
            break
    else:
        pytest.fail("the chart was not reached by Tab")
    home = opened.seen()
    page.keyboard.press("+")
    closer = opened.seen()
    assert closer[1] - closer[0] == pytest.approx((home[1] - home[0]) / 2)
    page.keyboard.press("ArrowLeft")
    assert opened.seen()[0] == pytest.approx(closer[0] - (closer[1] - closer[0]) / 4)
    page.keyboard.press("ArrowRight")
    assert opened.seen() == pytest.approx(closer)
    page.keyboard.press("-")
    assert opened.seen() == pytest.approx(home)
    page.keyboard.press("0")
    assert opened.seen()[0] == 0
    page.keyboard.press("Home")
    assert opened.seen() == pytest.approx(home)
    for _ in range(20):  # from seconds to less than the shortest range
        page.keyboard.press("+")
    assert opened.seen()[1] - opened.seen()[0] >= 200e-6 - 1e-9
    for _ in range(20):
        page.keyboard.press("-")
        page.keyboard.press("ArrowRight")
    assert opened.seen()[0] == 0


def test_drag_moves_and_reads_out(timeline: Tab) -> None:
    """All charts of a timeline share the axis; the pointer reads the lanes at its instant."""
    opened, page = timeline, timeline.page
    page.keyboard.press("Escape")
    page.locator(VIEW).focus()
    page.keyboard.press("+")
    page.wait_for_timeout(200)
    before = opened.seen()
    box = page.locator(f"{VIEW} .canvas").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + 200
    page.mouse.move(x, y)
    page.wait_for_timeout(100)
    words = page.locator("#requirement-1 .readout").inner_text()
    assert "throttle 2000 µs" in words
    assert "armed" in words
    page.mouse.down()
    page.mouse.move(x + 200, y, steps=5)
    page.mouse.up()
    page.wait_for_timeout(200)
    after = opened.seen()
    assert after[0] < before[0]
    assert after[1] - after[0] == pytest.approx(before[1] - before[0])
    count = page.evaluate(
        """() => new Set([...Bokeh.documents[0]._all_models.values()].filter((model) => model.type === "Figure")
             .map((figure) => figure.x_range)).size"""
    )
    assert count == 1


def test_what_is_drawn_is_what_was_kept(timeline: Tab) -> None:
    """Marks of the charts stand at the instants of the run; the throttle's line has its widths."""
    trace, since_us = lost_link(read_profile(HERON))
    page = timeline.page
    page.locator(VIEW).focus()
    page.keyboard.press("0")
    page.wait_for_timeout(200)
    data = page.evaluate(
        """(names) => names.map((name) => ({...Bokeh.documents[0].get_model_by_name(name).data}))""",
        ["moments-throttle", "throttle-us", "lost", "received"],
    )
    assert data[0]["x"][0] == pytest.approx(since_us / 1e6)
    assert sorted(set(data[1]["y"])) == sorted(set(trace.widths_us[:, trace.profile.throttle_index].tolist()))
    lost = trace.packets.left_us[trace.packets.lost] / 1e6
    assert data[2]["left"] == pytest.approx(lost.tolist())
    assert len(data[3]["left"]) == len(trace.packets.left_us) - len(lost)


def test_accessibility(tab: Opener, bad: Path, long: bool) -> None:
    """axe-core finds no fault at all, charts and tables open, on a desk and on a phone; nothing sticks out sideways.

    ``--long``: with either scheme on both, and each on a page that was opened so.
    """
    opened = None
    for width, scheme in (*LOOKED_AT, *LOOKED_AT_LONG) if long else LOOKED_AT:
        if opened is None or long:
            opened = tab(bad, "#requirement-1", color_scheme=scheme, viewport={"width": width, "height": 900})
        page = opened.drawn()
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)
        page.wait_for_selector(f'#requirement-1 [data-ready="{scheme}"]')
        faults = axe.Axe().run(page).response["violations"]
        assert [(fault["id"], fault["impact"], fault["nodes"][0]["html"][:200]) for fault in faults] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.long
def test_faults_would_be_found(tab: Opener, bad: Path) -> None:
    """The same look at the head of a page that was spoiled: pale text, a button without a name."""
    opened = tab(bad)
    opened.page.evaluate(
        """() => { document.querySelector("h1").style.color = "#ddd";
                   document.querySelector("nav").append(document.createElement("button")); }"""
    )
    found = {fault["id"] for fault in axe.Axe().run(opened.page, {"include": [["h1"], ["nav"]]}).response["violations"]}
    assert {"color-contrast", "button-name"} <= found


def test_scheme_changes_while_it_is_open(timeline: Tab) -> None:
    """The charts follow the system's colours, and keep what is in view."""
    opened, page = timeline, timeline.page
    page.locator(VIEW).focus()
    page.keyboard.press("+")
    before = opened.seen()
    page.emulate_media(color_scheme="dark")
    page.wait_for_selector('#requirement-1 [data-ready="dark"]')
    assert opened.page.evaluate(RANGE)[-1] == pytest.approx(before)


def test_without_scripts(tab: Opener, bad: Path) -> None:
    """Conclusion, verdicts and changes are there in words; nothing pretends to be a chart."""
    opened = tab(bad, java_script_enabled=False)
    text = opened.page.locator("body").inner_text()
    assert "Do not fly this link" in text
    assert "throttle pulse 2000 µs" in text
    assert opened.page.locator("button:visible, .view:visible").count() == 0


def test_strangers_script_does_not_run(tab: Opener, tmp_path: Path) -> None:
    """Not from a name, and not were it in the page: the policy stops what is not ours."""
    make(tmp_path, name="</script><script>alert(1)</script>", reason="<img src=x onerror=alert(2)>")
    file = write_report(tmp_path)
    opened = tab(file, "#requirement-1")
    opened.drawn()
    assert opened.wrong == []
    text = file.read_text(encoding="utf-8").replace("<main", "<script>document.title = 'taken'</script><main")
    taken = tmp_path / "taken.html"
    taken.write_text(text, encoding="utf-8")
    second = tab(taken)
    assert second.page.title() != "taken"
    assert any("Content Security Policy" in words for words in second.wrong)
    second.wrong.clear()


@pytest.mark.long
def test_paper(tab: Opener, bad: Path, tmp_path: Path) -> None:
    """Printed, the charts are there and fit; what only works on a screen is not."""
    opened = tab(bad, "#requirement-1")
    page = opened.drawn()
    page.emulate_media(media="print")
    assert page.locator("nav:visible, .buttons:visible, .skip:visible, [data-open]:visible").count() == 0
    page.emulate_media(media="screen")
    page.pdf(path=tmp_path / "page.pdf", format="A4")
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")
    assert page.evaluate("document.querySelector('.canvas').style.zoom") == ""  # as before, once it is printed


@pytest.mark.long
def test_all_open_for_paper(tab: Opener, good: Path) -> None:
    opened = tab(good)
    opened.page.get_by_role("button", name="Open all").click()
    opened.page.get_by_text("3 drawn, ready to print").wait_for()
    assert opened.page.locator("[data-run][data-ready]").count() == 3
    opened.page.get_by_role("button", name="Close all").click()
    assert opened.page.locator("main .rows > details[open]").count() == 0


@pytest.mark.long
def test_hundred_thousand_packets(tab: Opener, tmp_path: Path) -> None:
    """A long noisy run: what is handed to the charts is bounded by the pixels, zoomed out and zoomed in."""
    profile = read_profile(HERON)
    profile = dataclasses.replace(profile, handset=dataclasses.replace(profile.handset, jitter_us=200))
    flown = lost_link(profile, after_us=499_000_000, ambient=True)
    assert len(flown[0].packets.left_us) > 99_000
    report = write_report(make(tmp_path, trace=flown))
    assert report.stat().st_size < 6_000_000
    opened = tab(report, "#requirement-1")
    page = opened.drawn()
    page.locator(VIEW).focus()
    rows = """() => Bokeh.documents[0].get_model_by_name("received").data.left.length"""
    page.keyboard.press("0")
    page.wait_for_timeout(300)
    assert 100 < page.evaluate(rows) < 3000
    page.keyboard.press("Home")
    page.wait_for_timeout(300)
    assert 10 < page.evaluate(rows) < 1000
    assert "499" in page.locator("#requirement-1 .readout").inner_text()


@pytest.mark.long
@pytest.mark.parametrize("width", [1280, 360])
def test_campaign(tab: Opener, tmp_path: Path, width: int) -> None:
    """The distribution is drawn, zooms by key and stays within what was measured; no fault that axe-core knows."""
    CliRunner().invoke(main, ["campaign", str(HERON), "--trials", "600", "--quiet", "--out", str(tmp_path)])
    opened = tab(write_report(tmp_path), "#campaign", viewport={"width": width, "height": 900})
    page = opened.page
    page.locator("[data-item]").first.scroll_into_view_if_needed()
    page.wait_for_selector("[data-item][data-ready]")
    seen = """() => { const {start, end} = Bokeh.documents[0].get_model_by_name("x"); return [start, end]; }"""
    whole = page.evaluate(seen)
    page.locator(".chart .view").first.focus()
    page.keyboard.press("+")
    closer = page.evaluate(seen)
    assert closer[1] - closer[0] == pytest.approx((whole[1] - whole[0]) / 2)
    for _ in range(9):
        page.keyboard.press("ArrowRight")
    assert page.evaluate(seen)[1] == pytest.approx(whole[1])
    page.keyboard.press("0")
    assert page.evaluate(seen) == whole
    faults = axe.Axe().run(page).response["violations"]
    assert [(fault["id"], fault["nodes"][0]["html"][:200]) for fault in faults] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(("width", "scheme"), LOOKED_AT)
def test_capture(tab: Opener, tmp_path: Path, width: int, scheme: str) -> None:
    """The timeline of a pulse train without packets is drawn; no fault that axe-core knows, in either scheme."""
    words = ["read", str(HERON.parents[1] / "captures" / "failsafe.vcd"), str(HERON), "--quiet", "--out", str(tmp_path)]
    assert CliRunner().invoke(main, words).exit_code == 0
    report = tmp_path / "report.html"
    page = tab(report, "#requirement-1", color_scheme=scheme, viewport={"width": width, "height": 900}).drawn()
    faults = axe.Axe().run(page).response["violations"]
    assert [(fault["id"], fault["nodes"][0]["html"][:200]) for fault in faults] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(("width", "scheme"), LOOKED_AT)
def test_failsafe_test_by_hand(tab: Opener, tmp_path: Path, width: int, scheme: str) -> None:
    """The chart of an attempt is drawn, in either scheme, with no fault that axe-core knows."""
    report = write_report(make_by_hand(TalkingBoard(), tmp_path, read_profile(HERON)))
    page = tab(report, "#attempts", color_scheme=scheme, viewport={"width": width, "height": 900}).page
    page.wait_for_selector(f'[data-item][data-ready="{scheme}"]')
    faults = axe.Axe().run(page).response["violations"]
    assert [(fault["id"], fault["nodes"][0]["html"][:200]) for fault in faults] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize(
    "kind", ["timeout", *(pytest.param(kind, marks=pytest.mark.long) for kind in ("range", "latency"))]
)
def test_plan(tab: Opener, tmp_path: Path, kind: str) -> None:
    """Curves are drawn, nothing is asked from elsewhere, and everybody can read it."""
    file = tmp_path / f"{kind}.html"
    words = ["plan", kind, str(HERON), "--report", str(file)]
    words += {"latency": ["--runs", "3"], "timeout": ["--simulate", "2 min"]}.get(kind, [])
    assert CliRunner().invoke(main, words).exit_code == 0
    opened = tab(file)
    page = opened.page
    page.locator("[data-item]").first.scroll_into_view_if_needed()
    page.wait_for_selector("[data-item][data-ready]")
    assert page.locator("h1").is_visible()
    assert page.locator("table").count() >= 1
    assert len(opened.asked) == 1
    found = axe.Axe().run(page)
    assert [one["id"] for one in found.response["violations"]] == []
