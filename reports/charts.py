"""Chart templates, made once by Altair, and the columns of data that each figure fills them with.

A page holds each template once and, per figure, only the data: `page.js` puts the two together.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import altair as alt

MOST_ROWS = 5000
# Told apart by lightness as well as hue, so that neither a colour-blind reader nor a grey printer loses them.
INK, DEEP, OCHRE, PLUM, SLATE = "#1d2935", "#0a6375", "#b9770e", "#7d2e68", "#7b8794"
FADED, GRID = "#8fb8c2", "#e3e7ea"
CHANCE_COLOURS = ["#efe6cf", "#dcb25f", "#b26a2c", "#742f2b", "#2f1322"]
SERIES_COLOURS = [DEEP, OCHRE, PLUM, SLATE, "#4f7f2c", INK]
OHMS = "Resistance, Ω"
CROSS = "M-0.8,-0.8L0.8,0.8M-0.8,0.8L0.8,-0.8"
SERIES_DASHES = [[1, 0], [6, 3], [2, 2], [8, 2, 2, 2], [4, 4], [1, 3]]

Columns = Mapping[str, Sequence[Any]]
Spec = dict[str, Any]


@cache
def map_template() -> Spec:
    """Sites by longitude and latitude, coloured by the chance of being past their limit in five years."""
    colour = alt.Color(
        "chance:Q",
        title="Chance past limit in 5 years, %",
        scale=alt.Scale(domain=[0, 100], range=CHANCE_COLOURS),
        legend=alt.Legend(orient="top", gradientLength=180, titleLimit=260),
    )
    points = (
        named("sites")
        .mark_circle(size=110, opacity=0.95, stroke=INK, strokeWidth=0.8)
        .encode(
            x=alt.X("lon:Q", title="Longitude, degrees", scale=alt.Scale(zero=False, padding=14)),
            y=alt.Y("lat:Q", title="Latitude, degrees", scale=alt.Scale(zero=False, padding=14)),
            color=colour,
            href="page:N",
            tooltip=[
                alt.Tooltip("name:N", title="Site"),
                alt.Tooltip("region:N", title="Region"),
                alt.Tooltip("said:N", title="Past limit in 5 years"),
            ],
        )
    )
    return finish(points, height=380)


def _years_axis(most: float, title: str = "Age, years") -> alt.X:
    return alt.X(
        "age:Q", title=title, scale=alt.Scale(domain=[0, most], nice=False), axis=alt.Axis(tickCount=5)
    )


def told_apart(series: tuple[str, ...]) -> tuple[alt.Color, alt.StrokeDash]:
    """Colour and dash of each series, the same in every panel; the key stands in the page (`series_key`)."""
    colours = alt.Scale(domain=list(series), range=SERIES_COLOURS)
    dashes = alt.Scale(domain=list(series), range=SERIES_DASHES)
    return (
        alt.Color("series:N", scale=colours, legend=None),
        alt.StrokeDash("series:N", scale=dashes, legend=None),
    )


def series_key(present: Sequence[str], series: Sequence[str]) -> list[tuple[str, str, str]]:
    """Give name, colour and dash of each series of `present`, placed as in the templates of `series`."""
    there = set(present)
    return [
        (
            name,
            SERIES_COLOURS[i % len(SERIES_COLOURS)],
            " ".join(map(str, SERIES_DASHES[i % len(SERIES_DASHES)])),
        )
        for i, name in enumerate(series)
        if name in there
    ]


@cache
def ratio_template(most_years: float, most_ratio: float, materials: tuple[str, ...]) -> Spec:
    """Ratio by age for one soil class: median, 10-90 % band by material, the threshold dashed."""
    colour, dash = told_apart(materials)
    base = named("curve").encode(x=_years_axis(most_years), color=colour)
    scale = alt.Scale(type="log", domain=[0.8, most_ratio], nice=False, clamp=True)
    band = base.mark_area(opacity=0.16).encode(
        y=alt.Y("low:Q", title="Ratio to new", scale=scale), y2="high:Q"
    )
    line = base.mark_line(strokeWidth=2).encode(y=alt.Y("mid:Q", scale=scale), strokeDash=dash)
    threshold = (
        named("threshold").mark_rule(strokeDash=[5, 4], color=INK).encode(y=alt.Y("level:Q", scale=scale))
    )
    return finish(alt.layer(band, line, threshold), height=190)


@cache
def share_template(most_years: float, methods: tuple[str, ...]) -> Spec:
    """Share past threshold by age for one soil class, one line a method, intervals as bands."""
    colour, dash = told_apart(methods)
    base = named("share").encode(x=_years_axis(most_years), color=colour)
    scale = alt.Scale(domain=[0, 100])
    title = "Share past threshold, %"
    band = base.mark_area(opacity=0.12, interpolate="step-after").encode(
        y=alt.Y("low:Q", title=title, scale=scale), y2="high:Q"
    )
    line = base.mark_line(strokeWidth=2, interpolate="step-after").encode(
        y=alt.Y("mid:Q", title=title, scale=scale), strokeDash=dash
    )
    edges = [
        base.transform_filter(f"isValid(datum.{side})")
        .mark_line(strokeWidth=1, strokeDash=[1, 2], interpolate="step-after")
        .encode(y=alt.Y(f"{side}:Q", title=title, scale=scale))
        for side in ("low_all", "high_all")
    ]
    return finish(alt.layer(band, *edges, line, *_at_risk()), height=230)


def _at_risk() -> list[alt.Chart]:
    """Numbers at risk in a row under the axis of ages, and what they are at its left end."""
    base = named("risk")
    numbers = base.mark_text(baseline="top", dy=44, fontSize=10, color=INK).encode(
        x=alt.X("age:Q"), y=alt.value("height"), text="said:N"
    )
    name = base.transform_filter("datum.age == 0").mark_text(
        baseline="top", align="right", dx=-14, dy=44, fontSize=10, color=INK
    )
    return [numbers, name.encode(x=alt.X("age:Q"), y=alt.value("height"), text=alt.value("at risk"))]


@cache
def hazard_template(most_years: float, most_percent: float, series: tuple[str, ...]) -> Spec:
    """Crossings a year among rods not past yet, by age: the visits' in stretches, the life's as a line."""
    colour, dash = told_apart(series)
    base = named("hazard").encode(x=_years_axis(most_years), color=colour)
    scale = alt.Scale(domain=[0, most_percent], nice=False, clamp=True)
    title = "Crossing a year, %"
    band = base.mark_area(opacity=0.14).encode(y=alt.Y("low:Q", title=title, scale=scale), y2="high:Q")
    line = base.mark_line(strokeWidth=2, point=alt.OverlayMarkDef(size=14)).encode(
        y=alt.Y("mid:Q", title=title, scale=scale), strokeDash=dash
    )
    return finish(alt.layer(band, line), height=190)


@cache
def residuals_template() -> Spec:
    """Residuals of a life: the share past by hazard laid up, with its band, beside the unit exponential."""
    x = alt.X(
        "residual:Q",
        title="Hazard laid up",
        scale=alt.Scale(zero=True, nice=False),
        axis=alt.Axis(tickCount=6),
    )
    base, scale = named("residuals").encode(x=x), alt.Scale(domain=[0, 100])
    title = "Share past, %"
    band = base.mark_area(opacity=0.16, color=DEEP).encode(
        y=alt.Y("low:Q", title=title, scale=scale), y2="high:Q"
    )
    line = base.mark_line(strokeWidth=2, color=DEEP).encode(y=alt.Y("share:Q", title=title, scale=scale))
    true = base.mark_line(strokeWidth=2, color=OCHRE, strokeDash=[5, 3]).encode(
        y=alt.Y("expected:Q", title=title, scale=scale)
    )
    return finish(alt.layer(band, line, true), height=190)


@cache
def well_template() -> Spec:
    """One well: readings as they came and corrected, fitted curve with 90 % band, threshold and crossing."""
    x = alt.X(
        "year:Q", title=None, scale=alt.Scale(zero=False, nice=False), axis=alt.Axis(format="d", tickCount=6)
    )
    scale = alt.Scale(type="log", nice=False, padding=8)
    curve = named("curve").encode(x=x)
    readings = named("readings").encode(
        x=x, tooltip=[alt.Tooltip("day:N", title="Taken on"), alt.Tooltip("said:N", title="Reading")]
    )
    raw = readings.mark_point(color=SLATE, size=34, filled=False, strokeWidth=1.2).encode(
        y=alt.Y("raw:Q", title=OHMS, scale=scale),
        shape=alt.Shape(
            "kind:N",
            legend=None,
            scale=alt.Scale(
                domain=["read", "aside", "over", "under"],
                range=["circle", CROSS, "triangle-up", "triangle-down"],
            ),
        ),
    )
    layers = [
        curve.mark_area(color=DEEP, opacity=0.18).encode(
            y=alt.Y("low:Q", title=OHMS, scale=scale, axis=alt.Axis(tickCount=5)), y2="high:Q"
        ),
        named("today").mark_rule(color=GRID, strokeWidth=1.5).encode(x="year:Q"),
        named("threshold").mark_rule(color=OCHRE, strokeDash=[5, 4]).encode(y=alt.Y("ohm:Q", scale=scale)),
        curve.transform_filter("datum.part != 1").mark_line(color=DEEP, strokeWidth=2).encode(y="mid:Q"),
        curve.transform_filter("datum.part != 0")
        .mark_line(color=DEEP, strokeWidth=2, strokeDash=[3, 3])
        .encode(y="mid:Q"),
        raw,
        named("corrected")
        .mark_circle(color=DEEP, size=30, opacity=1)
        .encode(x=x, y=alt.Y("clean:Q", title=OHMS, scale=scale)),
        named("crossing")
        .mark_rule(color=PLUM, strokeWidth=4, opacity=0.8)
        .encode(x="early:Q", x2="late:Q", y="ohm:Q"),
        named("middle")
        .mark_point(color=PLUM, shape="diamond", filled=True, size=70, opacity=1)
        .encode(x="year:Q", y="ohm:Q"),
    ]
    return finish(alt.layer(*layers), height=190)


_FLAG = alt.Scale(domain=["no", "yes"], range=[DEEP, PLUM])


@cache
def check_template() -> Spec:
    """One summary by soil class: the replicas' 5-95 % band as a bar, the readings' own value as a point."""
    y = alt.Y("name:N", title=None, sort=None, axis=alt.Axis(labelLimit=150))
    scale = alt.Scale(zero=False, nice=True, padding=8)
    base = named("check").encode(y=y)
    told = [
        alt.Tooltip("name:N", title="Class"),
        alt.Tooltip("said:N", title="Readings"),
        alt.Tooltip("band:N", title="Replicas, 5-95 %"),
    ]
    band = base.mark_rule(strokeWidth=9, color=FADED).encode(
        x=alt.X("low:Q", title=None, scale=scale, axis=alt.Axis(tickCount=4)), x2="high:Q", tooltip=told
    )
    middle = base.mark_tick(color=SLATE, thickness=2, size=12).encode(x=alt.X("mid:Q", scale=scale))
    own = base.mark_point(filled=True, size=70, opacity=1).encode(
        x=alt.X("own:Q", scale=scale),
        color=alt.Color("flag:N", scale=_FLAG, legend=None),
        shape=alt.Shape(
            "flag:N", scale=alt.Scale(domain=["no", "yes"], range=["circle", "diamond"]), legend=None
        ),
        tooltip=told,
    )
    return finish(alt.layer(band, middle, own), height=210)


@cache
def shift_template(with_names: bool) -> Spec:
    """Shift of each group's residuals with its 90 % interval; the axis names groups where there is room."""
    axis = alt.Axis(labelAngle=-50, labelLimit=110) if with_names else alt.Axis(labels=False, ticks=False)
    x = alt.X("group:N", title=None, sort=None, axis=axis)
    base = named("shift").encode(x=x)
    told = [
        alt.Tooltip("group:N", title="Group"),
        alt.Tooltip("said:N", title="Shift"),
        alt.Tooltip("readings:Q", title="Readings"),
        alt.Tooltip("scatter:Q", title="Scatter, times its classes'"),
    ]
    colour = alt.Color("flag:N", scale=_FLAG, legend=None)
    title = "Shift of the readings, %"
    zero = named("zero").mark_rule(color=SLATE).encode(y=alt.Y("level:Q", title=title))
    bar = base.mark_rule(strokeWidth=1.6).encode(y=alt.Y("low:Q", title=title), y2="high:Q", color=colour)
    point = base.mark_point(filled=True, size=46, opacity=1).encode(
        y=alt.Y("mid:Q", title=title), color=colour, tooltip=told
    )
    return finish(alt.layer(zero, bar, point), height=230 if with_names else 190)


@cache
def fared_template() -> Spec:
    """Forecast against observed share by tenths of the forecast, with two standard errors, by horizon."""
    scale = alt.Scale(domain=[0, 100], clamp=True)
    x = alt.X("forecast:Q", title="Forecast, %", scale=scale)
    colour = alt.Color("horizon:N", sort=None, title="Ahead", scale=alt.Scale(range=SERIES_COLOURS))
    base = named("fared").encode(x=x, color=colour)
    told = [
        alt.Tooltip("horizon:N", title="Ahead"),
        alt.Tooltip("electrodes:Q", title="Electrodes"),
        alt.Tooltip("said:N", title="Forecast and seen"),
    ]
    bar = base.mark_rule(strokeWidth=1.4, opacity=0.6).encode(y=alt.Y("low:Q", scale=scale), y2="high:Q")
    point = base.mark_point(filled=True, opacity=1).encode(
        y=alt.Y("observed:Q", title="Seen past threshold, %", scale=scale),
        size=alt.Size("electrodes:Q", scale=alt.Scale(type="sqrt", range=[25, 220]), legend=None),
        tooltip=told,
    )
    even = (
        named("even")
        .mark_line(color=SLATE, strokeDash=[4, 4])
        .encode(x=alt.X("at:Q", title="Forecast, %", scale=scale), y=alt.Y("at:Q", scale=scale))
    )
    return finish(alt.layer(even, bar, point), height=300)


@cache
def tenth_template() -> Spec:
    """Share of the readings in each tenth of its own leave-one-out forecast; a tenth everywhere is right."""
    x = alt.X("group:N", title="Tenth of the forecast", sort=None, axis=alt.Axis(labelAngle=-50))
    title, scale = "Share of the readings, %", alt.Scale(domainMin=0)
    base = named("tenth").encode(x=x)
    level, share = (alt.Y(f"{name}:Q", title=title, scale=scale) for name in ("level", "share"))
    even = named("even").mark_rule(color=SLATE, strokeDash=[4, 4]).encode(y=level)
    line = base.mark_line(color=FADED, strokeWidth=2).encode(y=share)
    point = base.mark_point(filled=True, size=60, opacity=1, color=DEEP).encode(
        y=share, tooltip=[alt.Tooltip("group:N", title="Tenth"), alt.Tooltip("share:Q", title="Share, %")]
    )
    return finish(alt.layer(even, line, point), height=230)


def named(table: str) -> alt.Chart:
    """A chart of the table that each figure brings under this name."""
    return alt.Chart(alt.NamedData(table))


def finish(chart: Any, height: int) -> Spec:
    """Set size and looks, and take the template as plain data without its schema address."""
    styled = (
        chart.properties(
            width="container", height=height, autosize=alt.AutoSizeParams(type="fit", contains="padding")
        )
        .configure(font="system-ui, sans-serif", background="transparent", padding=4)
        .configure_view(stroke=GRID)
        .configure_axis(
            gridColor=GRID, labelColor=INK, titleColor=INK, titleFontWeight="normal", domainColor=SLATE
        )
        .configure_legend(labelColor=INK, titleColor=INK, titleFontWeight="normal")
    )
    spec: Spec = styled.to_dict()
    spec.pop("$schema")
    return spec


def embed(value: object) -> str:
    """Give `value` as JSON that can stand in a script element: nothing in it can close the element.

    Raises ValueError for NaN and infinity, which JSON does not have.
    """
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def figure_data(**tables: Columns) -> str:
    """Give a figure's tables, column by column, as JSON for its script element.

    Raises ValueError where a table has more rows than a page should draw: aggregate before.
    """
    for name, columns in tables.items():
        rows = max((len(values) for values in columns.values()), default=0)
        if rows > MOST_ROWS:
            raise ValueError(f"chart table {name} has {rows} rows, more than {MOST_ROWS}: aggregate it first")
    return embed(tables)
