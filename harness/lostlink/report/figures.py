"""Charts, drawn by Bokeh in the browser. This module defines their appearance; ``viewer.js`` fills in the data.

The charts of all requirements are the same: the page has one template, with empty columns and placeholders for
colours, and ``viewer.js`` fills a copy when a timeline is opened. It fills in the visible part only, reduced to the
pixels available, so that a long run is drawn as fast as a short one.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import json
import os
import re
import sys
from collections.abc import Sequence
from dataclasses import fields
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from lostlink.files import write_whole
from lostlink.report.palette import Palette

if TYPE_CHECKING:
    from bokeh.models import Plot
    from bokeh.plotting import figure as Figure  # noqa: N812

MISSING: Final = "pip install 'lostlink[report]'"
FONT: Final = "system-ui, sans-serif"
DASHES: Final = ("solid", "dashed", "dotted", "dotdash", "dashdot", [8, 3], [2, 5], [12, 4, 2, 4])
"""Line styles of channels other than the throttle, in their order, for lines and legend."""
DECADES: Final = 1e-15
"""Lower end of a logarithmic axis, as a share of the largest value."""
LEFT: Final = 84
"""Left border in pixels, equal in all charts so that their time axes are aligned."""


@cache
def plotting() -> str | None:
    """Return the plotting library's script, or None when it is not installed."""
    package = importlib.util.find_spec("bokeh")  # not imported: that takes half a second
    if package is None or not package.submodule_search_locations:
        return None
    folder = Path(package.submodule_search_locations[0])
    return (folder / "server" / "static" / "js" / "bokeh.min.js").read_text(encoding="utf-8")


TOKENS: Final = Palette(**{field.name: f"#fe00{index:02x}" for index, field in enumerate(fields(Palette))})
"""Placeholders for the colours of a palette; ``viewer.js`` replaces them with the light or the dark ones."""


MOMENTS: Final = {
    "struck": (TOKENS.mark, "solid"),
    "cut": (TOKENS.good, "dashed"),
    "deadline": (TOKENS.limit, "dotdash"),
    "moment": (TOKENS.band, "dotted"),
}
"""Colour and line style of each kind of moment."""


def scheme(palette: Palette) -> dict[str, str]:
    """Return the colour of a palette for each placeholder."""
    return {getattr(TOKENS, field.name): getattr(palette, field.name) for field in fields(Palette)}


@cache
def timeline_template(roles: tuple[str, ...], *, on_air: bool = True) -> str:
    """Return the charts of a timeline, one above the other, as JSON for ``Bokeh.embed.embed_item``.

    Drawing them takes a second, so the text is kept in the user's cache folder, by all that it depends on.

    Parameters
    ----------
    roles : tuple of str
        Of the channels, in their order on the wire: "throttle", "arm" or "".
    on_air : bool
        With packets and the receiver's state, which a capture of pulses does not show.
    """
    sources = b"".join((Path(__file__).with_name(name)).read_bytes() for name in ("figures.py", "palette.py"))
    key = hashlib.sha256(sources + repr((roles, on_air, metadata.version("bokeh"), sys.version)).encode()).hexdigest()
    try:
        kept = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "lostlink" / f"timeline-{key}.json"
        return kept.read_text(encoding="utf-8")
    except RuntimeError:  # no home folder
        return _timeline_template(roles, on_air=on_air)
    except (OSError, UnicodeDecodeError):
        text = _timeline_template(roles, on_air=on_air)
    with contextlib.suppress(OSError):
        kept.parent.mkdir(parents=True, exist_ok=True)
        write_whole(kept, text)
    return text


def _timeline_template(roles: tuple[str, ...], *, on_air: bool) -> str:
    from bokeh.embed import json_item
    from bokeh.layouts import column
    from bokeh.models import Range1d
    from bokeh.models.annotations import Span

    shared = Range1d(start=0, end=1, name="time")
    hair = Span(dimension="height", line_color=TOKENS.quiet, line_width=1, line_dash="dotted")
    lanes = (_packets(shared) if on_air else None, _states(shared, on_air=on_air), _throttle(shared),
             _others(shared, roles), _train(shared), _motor(shared))  # fmt: skip
    figures: list[Figure] = [lane for lane in lanes if lane is not None]
    for figure in figures:
        _lane(figure, hair, last=figure is figures[-1])
    renderers: list[Any] = [renderer for figure in figures for renderer in figure.renderers]
    for renderer in renderers:
        # Nothing is ever selected here; the glyphs for selection would be two thirds of the page's template.
        renderer.nonselection_glyph = renderer.muted_glyph = None
    item = json_item(column(*figures, sizing_mode="stretch_width", spacing=0))
    return _as_text(item)


def _figure(shared: Any, name: str, height: int, low: float, high: float) -> Figure:
    from bokeh.models import Range1d
    from bokeh.plotting import figure

    return figure(
        name=name, height=height, x_range=shared, y_range=Range1d(start=low, end=high), sizing_mode="stretch_width",
        min_width=200, min_border_left=LEFT, min_border_right=12, min_border_top=4, min_border_bottom=2,
        toolbar_location=None, tools="", output_backend="canvas",
    )  # fmt: skip


def _source(name: str, *columns: str) -> Any:
    from bokeh.models import ColumnDataSource

    return ColumnDataSource(data={column: [] for column in columns}, name=name)


def curve_figure(height_px: int, x_label: str, y_label: str, *, log_y: bool = False) -> Figure:
    """Return an empty chart that is not a timeline, with tools and axes."""
    from bokeh.plotting import figure

    made = figure(
        height=height_px, sizing_mode="stretch_width", min_width=200, y_axis_type="log" if log_y else "auto",
        toolbar_location=None, tools="", x_axis_label=x_label, y_axis_label=y_label,
    )  # fmt: skip
    _furnish(made)
    return made


def _furnish(figure: Figure) -> None:
    """Add tools and a plain style to a chart."""
    from bokeh.models import PanTool, WheelZoomTool

    # The wheel alone scrolls the page; with Ctrl it zooms, as it does in a map.
    pan, zoom = PanTool(dimensions="width"), WheelZoomTool(dimensions="width", modifiers="ctrl")
    figure.add_tools(pan, zoom)
    figure.toolbar.active_drag, figure.toolbar.active_scroll = pan, zoom
    figure.background_fill_color = figure.border_fill_color = TOKENS.card
    figure.outline_line_color = TOKENS.line
    for grid in figure.grid:
        grid.grid_line_alpha = 0.7
        if grid.grid_line_color is not None:
            grid.grid_line_color = TOKENS.line
    for axis in figure.axis:
        axis.axis_line_color = None
        axis.major_tick_line_color = TOKENS.line
        axis.minor_tick_line_color = None
        axis.major_label_text_color = TOKENS.quiet
        axis.axis_label_text_color = TOKENS.ink
        axis.major_label_text_font = axis.axis_label_text_font = FONT
        axis.major_label_text_font_size = "12px"
        axis.axis_label_text_font_size = "12px"
        axis.axis_label_text_font_style = "normal"


def _lane(figure: Figure, hair: Any, *, last: bool) -> None:
    """Make a chart a lane of a timeline."""
    from bokeh.models import CrosshairTool

    _furnish(figure)
    figure.add_tools(CrosshairTool(overlay=hair, dimensions="height"))
    if last:
        figure.xaxis.axis_label = "time in the run, s"
        figure.height = (figure.height or 0) + 44
        figure.min_border_bottom = 44
    else:
        figure.xaxis.visible = False
    _moments(figure)


def _moments(figure: Figure) -> None:
    """Draw link loss, cut, limit and the uncertainty around the moment judged; their columns are filled later."""
    band = _source(f"band-{figure.name}", "left", "right", "bottom", "top")
    figure.quad(
        source=band, left="left", right="right", bottom="bottom", top="top", fill_color=TOKENS.band, fill_alpha=0.35,
        hatch_pattern="/", hatch_color=TOKENS.band, hatch_alpha=0.6, line_color=TOKENS.band,
    )  # fmt: skip
    # One glyph for all moments: each glyph costs time at every repaint, also an empty one.
    figure.segment(
        source=_source(f"moments-{figure.name}", "x", "y0", "y1", "color", "dash"),
        x0="x", x1="x", y0="y0", y1="y1", line_color="color", line_dash="dash", line_width=2,
    )  # fmt: skip


def _label_style() -> dict[str, Any]:
    """Return the style of a label that is readable on top of lines."""
    from bokeh.core.properties import value

    # A plain string as font would be the name of a column.
    return {"text_font": value(FONT), "text_font_size": "12px", "background_fill_color": TOKENS.card,
            "background_fill_alpha": 0.85}  # fmt: skip


def _rows(figure: Figure, rows: Sequence[tuple[float, str]]) -> None:
    from bokeh.models import FixedTicker

    figure.yaxis.ticker = FixedTicker(ticks=[level for level, _ in rows])
    figure.yaxis.major_label_overrides = dict(rows)
    figure.ygrid.grid_line_color = None
    figure.yaxis.major_tick_line_color = None


def _packets(shared: Any) -> Figure:
    figure = _figure(shared, "packets", 74, -0.1, 2.1)
    _rows(figure, [(1.5, "received"), (0.5, "lost")])
    for name, color in (("received", TOKENS.received), ("lost", TOKENS.lost)):
        source = _source(name, "left", "right", "bottom", "top")
        figure.quad(source=source, left="left", right="right", bottom="bottom", top="top",
                    fill_color=color, line_color=None)  # fmt: skip
    return figure


def _states(shared: Any, *, on_air: bool) -> Figure:
    figure = _figure(shared, "states", 84 if on_air else 54, -0.1, 2.1 if on_air else 1.1)
    _rows(figure, [(1.5, "receiver"), (0.5, "arming")] if on_air else [(0.5, "arming")])
    looks = (
        ("linked", 1.2, TOKENS.good, 0.15, None),
        ("failsafe", 1.2, TOKENS.doubt, 0.3, "/"),
        ("armed", 0.2, TOKENS.motor, 0.25, None),
        ("ready", 0.2, TOKENS.motor, 0.08, "."),
        ("locked", 0.2, TOKENS.quiet, 0.2, "x"),
    )
    for name, bottom, color, alpha, hatch in looks:
        source = _source(name, "left", "right")
        figure.quad(
            source=source, left="left", right="right", bottom=bottom, top=bottom + 0.6, fill_color=color,
            fill_alpha=alpha, line_color=color, hatch_pattern=hatch, hatch_color=color, hatch_alpha=0.5, hatch_scale=8,
        )  # fmt: skip
    figure.text(
        source=_source("state-words", "x", "y", "text"), x="x", y="y", text="text", text_color=TOKENS.ink,
        text_baseline="middle", x_offset=5, **_label_style(),
    )  # fmt: skip
    return figure


def _level(figure: Figure, name: str) -> None:
    """Draw a limit as a horizontal line, with its label at the left of the visible part."""
    source, words = _source(name, "x0", "x1", "y"), _source(f"{name}-words", "x", "y", "text")
    figure.segment(
        source=source, x0="x0", x1="x1", y0="y", y1="y", line_color=TOKENS.limit, line_width=1.5, line_dash="dashed"
    )
    figure.text(
        source=words, x="x", y="y", text="text", text_color=TOKENS.limit, text_baseline="bottom",
        x_offset=6, y_offset=-2, **_label_style(),
    )  # fmt: skip


def _steps(figure: Figure, name: str, color: str, width: float, dash: Any = "solid", *, fill: bool = False) -> None:
    source = _source(name, "x", "y")
    if fill:
        figure.varea(source=source, x="x", y1=0, y2="y", fill_color=color, fill_alpha=0.18)
    figure.line(source=source, x="x", y="y", line_color=color, line_width=width, line_dash=dash)


def _throttle(shared: Any) -> Figure:
    figure = _figure(shared, "throttle", 150, 900, 2100)
    figure.yaxis.axis_label = "throttle, µs"
    _level(figure, "idle")
    _level(figure, "width-limit")
    _steps(figure, "throttle-us", TOKENS.throttle, 2.5)
    return figure


def _others(shared: Any, roles: Sequence[str]) -> Figure | None:
    others = [index for index, role in enumerate(roles) if role != "throttle"]
    if not others:
        return None
    figure = _figure(shared, "channels", 140, 900, 2100)
    figure.yaxis.axis_label = "others, µs"
    for turn, index in enumerate(others):
        color = TOKENS.arm if roles[index] == "arm" else TOKENS.other
        _steps(figure, f"channel-{index}", color, 2 if roles[index] else 1.5, DASHES[turn % len(DASHES)])
    return figure


def _train(shared: Any) -> Figure:
    figure = _figure(shared, "train", 62, -0.3, 1.3)
    _rows(figure, [(0.5, "pulses")])
    figure.quad(
        source=_source("frames", "left", "right"), left="left", right="right", bottom=0, top=1,
        fill_color=TOKENS.pulses, fill_alpha=0.35, line_color=TOKENS.pulses, line_width=0.5,
    )  # fmt: skip
    _steps(figure, "wire", TOKENS.pulses, 1.2)
    return figure


def _motor(shared: Any) -> Figure:
    figure = _figure(shared, "motor", 110, -4, 112)
    figure.yaxis.axis_label = "motors, %"
    _level(figure, "motor-limit")
    _steps(figure, "motor-share", TOKENS.motor, 2, fill=True)
    return figure


def name_instants(
    figure: Figure, instants: Sequence[tuple[tuple[str, Any], float, str]], bottom: float, top: float
) -> float:
    """Draw vertical lines with their names above the data, each in a row of its own; return the upper end.

    Parameters
    ----------
    instants : sequence of ((color, dash), x, name)
    bottom, top : float
        Ends of the data.
    """
    row = 0.075 * (top - bottom)
    head = top + row * len(instants)
    for place, ((color, dash), x, name) in enumerate(instants):
        level = head - row * (place + 1)
        figure.segment([x], [bottom], [x], [level + 0.8 * row], line_color=color, line_width=2, line_dash=dash)
        figure.text(
            x=[x], y=[level], text=[name], text_color=TOKENS.ink, text_baseline="bottom", x_offset=5, **_label_style()
        )
    return head


def dress_legend(figure: Figure) -> None:
    """Put the legend above the chart: inside it would hide lines on a phone."""
    if not figure.legend:
        return
    legend = figure.legend[0]
    figure.add_layout(legend, "above")
    legend.background_fill_color = TOKENS.card
    legend.border_line_color = None
    legend.label_text_color = TOKENS.ink
    legend.label_text_font = FONT
    legend.label_text_font_size = "12px"


def item(plot: Plot) -> str:
    """Return a chart of `curve_figure` as JSON for ``Bokeh.embed.embed_item``; its x axis is linear."""
    from bokeh.embed import json_item

    plot.x_range.name = "x"  # zoomed by keys
    return _as_text(json_item(plot))


def _as_text(described: Any) -> str:
    """Return JSON with ids counted from 1, so that the same evidence gives the same page, byte for byte."""
    text = json.dumps(described, separators=(",", ":"))
    ids = dict.fromkeys(re.findall(r'"id":"([^"]+)"', text))
    numbers = {name: f"n{number}" for number, name in enumerate(ids, start=1)}
    return re.sub(r'"(id|root_id)":"([^"]+)"', lambda match: f'"{match[1]}":"{numbers[match[2]]}"', text)
