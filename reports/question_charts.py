"""Chart templates of the pages of questions and of the soil."""

from __future__ import annotations

from functools import cache

import altair as alt

from reports.charts import DEEP, FADED, OCHRE, SLATE, Spec, finish, named, told_apart


@cache
def answer_template(kind: str, series: tuple[str, ...], axis: str, x_axis: str, log_x: bool) -> Spec:
    """A question's answer: shares by age of two groups, a value in each group, or one by what is compared."""
    colour, dash = told_apart(series)
    base = named("answer")
    told = [
        alt.Tooltip("series:N", title="Group"),
        alt.Tooltip("mid:Q", title=axis),
        alt.Tooltip("rods:Q", title="Electrodes"),
    ]
    if kind == "share":
        by_age = base.encode(x=alt.X("x:Q", title=x_axis, axis=alt.Axis(tickCount=6)), color=colour)
        scale = alt.Scale(domain=[0, 100])
        band = by_age.mark_area(opacity=0.16, interpolate="step-after").encode(
            y=alt.Y("low:Q", title=axis, scale=scale), y2="high:Q"
        )
        line = by_age.mark_line(strokeWidth=2, interpolate="step-after").encode(
            y=alt.Y("mid:Q", scale=scale), strokeDash=dash
        )
        return finish(alt.layer(band, line), height=280)
    scale = alt.Scale(zero=kind == "rate", nice=True)
    if kind == "slope":
        x_scale = (
            alt.Scale(type="log", nice=False, padding=10) if log_x else alt.Scale(zero=False, padding=10)
        )
        at = base.encode(x=alt.X("x:Q", title=x_axis, scale=x_scale, axis=alt.Axis(tickCount=5)))
    else:
        at = base.encode(
            x=alt.X("series:N", title=None, sort=None, axis=alt.Axis(labelAngle=0, labelLimit=160))
        )
    bar = at.mark_rule(strokeWidth=2, color=DEEP).encode(
        y=alt.Y("low:Q", title=axis, scale=scale), y2="high:Q"
    )
    point = at.mark_point(filled=True, size=80, opacity=1, color=DEEP).encode(
        y=alt.Y("mid:Q", scale=scale), tooltip=told
    )
    return finish(alt.layer(bar, point), height=260)


@cache
def ratios_template() -> Spec:
    """A ratio as asked and with more held fixed, 95 % intervals, on a log scale; the margin shaded."""
    scale = alt.Scale(type="log", nice=False, padding=12)
    y = alt.Y("name:N", title=None, sort=None, axis=alt.Axis(labelLimit=150))
    told = [alt.Tooltip("name:N", title="Held"), alt.Tooltip("said:N", title="Ratio")]
    title = "Ratio, second over first or a step"
    margin = (
        named("margin")
        .mark_rect(color=FADED, opacity=0.3)
        .encode(x=alt.X("low:Q", title=title, scale=scale, axis=alt.Axis(tickCount=5)), x2="high:Q")
    )
    one = named("one").mark_rule(color=SLATE, strokeDash=[4, 4]).encode(x=alt.X("level:Q", scale=scale))
    base = named("ratios").encode(y=y)
    bar = base.mark_rule(strokeWidth=2, color=DEEP).encode(x=alt.X("low:Q", scale=scale), x2="high:Q")
    point = base.mark_point(filled=True, size=70, opacity=1, color=DEEP).encode(
        x=alt.X("mid:Q", scale=scale), tooltip=told
    )
    return finish(alt.layer(margin, one, bar, point), height=230)


@cache
def power_template() -> Spec:
    """The chance that a true ratio is shown, by the ratio; eight times in ten as a dashed line."""
    scale = alt.Scale(domain=[0, 100])
    base = named("power").encode(
        x=alt.X(
            "ratio:Q", title="True ratio", scale=alt.Scale(type="log", nice=False), axis=alt.Axis(tickCount=5)
        ),
        tooltip=[alt.Tooltip("ratio:Q", title="True ratio"), alt.Tooltip("chance:Q", title="Chance, %")],
    )
    line = base.mark_line(strokeWidth=2, color=DEEP, point=alt.OverlayMarkDef(size=14)).encode(
        y=alt.Y("chance:Q", title="Shown, %", scale=scale)
    )
    eight = named("eight").mark_rule(color=SLATE, strokeDash=[4, 4]).encode(y=alt.Y("level:Q", scale=scale))
    return finish(alt.layer(eight, line), height=190)


@cache
def importance_template() -> Spec:
    """What a forecast loses without each property, with its interval; what it explains alone as a ring."""
    y = alt.Y("name:N", title=None, sort=None, axis=alt.Axis(labelLimit=150))
    base = named("importance").encode(y=y)
    title = "Points of the deviance, %"
    told = [
        alt.Tooltip("name:N", title="Property"),
        alt.Tooltip("mid:Q", title="Lost without it"),
        alt.Tooltip("alone:Q", title="Explained by it alone"),
    ]
    bar = base.mark_rule(strokeWidth=2, color=DEEP).encode(x=alt.X("low:Q", title=title), x2="high:Q")
    point = base.mark_point(filled=True, size=80, opacity=1, color=DEEP).encode(x="mid:Q", tooltip=told)
    alone = base.mark_point(filled=False, size=80, opacity=1, color=OCHRE, shape="diamond").encode(
        x="alone:Q", tooltip=told
    )
    return finish(alt.layer(bar, point, alone), height=300)


@cache
def dependence_template(scale: str) -> Spec:
    """How the hazard moves with a property: `linear`, `log`, or by `names`; the band is over folds."""
    if scale == "names":
        x: alt.X = alt.X("x:N", title=None, sort=None, axis=alt.Axis(labelAngle=0))
    else:
        kind = alt.Scale(type="log", nice=False) if scale == "log" else alt.Scale(zero=False, nice=False)
        x = alt.X("x:Q", title=None, scale=kind, axis=alt.Axis(tickCount=4))
    base = named("dependence").encode(x=x)
    title, height = "Hazard, times its mean", alt.Scale(domainMin=0)
    one = named("one").mark_rule(color=SLATE, strokeDash=[4, 4]).encode(y=alt.Y("level:Q", scale=height))
    low = alt.Y("low:Q", title=title, scale=height)
    band = (
        base.mark_rule(strokeWidth=2, color=FADED)
        if scale == "names"
        else base.mark_area(opacity=0.2, color=DEEP)
    ).encode(y=low, y2="high:Q")
    line = (
        base.mark_point(filled=True, size=60, opacity=1, color=DEEP)
        if scale == "names"
        else base.mark_line(strokeWidth=2, color=DEEP, point=alt.OverlayMarkDef(size=18))
    ).encode(y=alt.Y("mid:Q", scale=height))
    return finish(alt.layer(one, band, line), height=180)
