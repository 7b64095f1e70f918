"""Typed page objects through the templates to HTML, with every value escaped."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from typing import Any

import jinja2

from reports import charts, question_charts, words
from reports.books import MethodPage, ReadingsPage
from reports.classes import ClassPages, ClassPanel
from reports.ground import GroundPage
from reports.measure import MeasurePage
from reports.numbers import FleetPage, MapPoint, tied_places
from reports.questions import QuestionPage, QuestionsPage
from reports.run_facts import RunFacts
from reports.site_numbers import SitePage
from reports.trust import Figure, TrustPage

MOST_FINDINGS = 200
NAV = (
    ("index.html", "Where to spend"),
    ("classes.html", "Soil classes"),
    ("questions.html", "Questions"),
    ("ground.html", "What matters in the soil"),
    ("trust.html", "How far to trust this"),
    ("measure.html", "What to measure next"),
    ("readings.html", "Readings"),
    ("method.html", "Method and glossary"),
)


@cache
def environment() -> jinja2.Environment:
    """Make the template environment, once: autoescape on everywhere, a missing value an error."""
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("reports"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    filters: dict[str, Callable[..., Any]] = {
        "chance": words.chance,
        "figure": words.figure,
        "amount": words.amount,
        "whole": lambda value: f"{value:.0f}" if math.isfinite(value) else words.UNKNOWN,
        "tenth": lambda value: f"{value:.1f}",
        "raw": lambda value: "" if value is None else repr(value),
        "map_data": map_data,
        "answer_data": lambda page: charts.figure_data(answer=page.chart),
        "ratios_data": lambda page: charts.figure_data(
            ratios=page.ratios, one={"level": [1]}, margin={"low": [1 / page.margin], "high": [page.margin]}
        ),
        "power_data": lambda page: charts.figure_data(power=page.power, eight={"level": [80]}),
        "residuals_data": lambda panel: charts.figure_data(residuals=panel.survival.residuals),
        "importance_data": lambda page: charts.figure_data(importance=page.importance),
        "dependence_data": lambda d: charts.figure_data(dependence=d.data, one={"level": [1]}),
        "figure_data": lambda figure: charts.figure_data(**figure.tables),
        "templates_of": templates_of,
        "ratio_data": lambda panel: panel_data(panel)[0],
        "share_data": lambda panel: panel_data(panel)[1],
        "ratio_key": lambda panel, classes: charts.series_key(panel.ratio["series"], classes.materials),
        "share_key": lambda panel, classes: charts.series_key(panel.share["series"], classes.methods),
        "hazard_data": lambda panel: charts.figure_data(hazard=panel.survival.hazard),
        "hazard_key": lambda panel, classes: charts.series_key(
            panel.survival.hazard["series"], classes.hazards
        ),
        "well_data": lambda panel: charts.figure_data(
            curve=panel.curve, readings=panel.points, corrected=panel.corrected, **panel.marks
        ),
    }
    made.filters.update(filters)
    return made


class Renderer:
    """Renders one run's pages: what all of them share is given once."""

    def __init__(self, run: RunFacts, assets: str, classes: ClassPages) -> None:
        self._environment = environment()
        self._shared = {"run": run, "assets": assets, "nav": NAV, "cautions": words.CAUTIONS}
        self._classes = classes
        self._specs = {
            "map": charts.embed(charts.map_template()),
            "ratio": charts.embed(
                charts.ratio_template(classes.most_years, classes.most_ratio, classes.materials)
            ),
            "share": charts.embed(charts.share_template(classes.most_years, classes.methods)),
            "hazard": charts.embed(
                charts.hazard_template(classes.most_years, classes.most_hazard, classes.hazards)
            ),
            "well": charts.embed(charts.well_template()),
            "check": charts.embed(charts.check_template()),
            "shift": charts.embed(charts.shift_template(True)),
            "shifts": charts.embed(charts.shift_template(False)),
            "fared": charts.embed(charts.fared_template()),
            "tenth": charts.embed(charts.tenth_template()),
            "ratios": charts.embed(question_charts.ratios_template()),
            "power": charts.embed(question_charts.power_template()),
            "residuals": charts.embed(charts.residuals_template()),
            "importance": charts.embed(question_charts.importance_template()),
            "dependence": charts.embed(question_charts.dependence_template("linear")),
            "dependence_log": charts.embed(question_charts.dependence_template("log")),
            "dependence_names": charts.embed(question_charts.dependence_template("names")),
        }

    def render(self, template: str, here: str, root: str = "", **values: Any) -> str:
        """Render one template; `here` is the page's own path, `root` leads back to the run's folder."""
        everything = {**self._shared, "here": here, "root": root, "specs": self._specs, **values}
        return self._environment.get_template(template).render(everything)

    def index(self, page: FleetPage) -> str:
        """Render the fleet's page."""
        tied = tied_places(page.ranking) if page.ranking else 0
        finite = [place.rank_high for place in page.top if math.isfinite(place.rank_high)]
        return self.render(
            "index.html",
            "index.html",
            page=page,
            classes=self._classes,
            tied=tied,
            most_findings=MOST_FINDINGS,
            most_shown=max(finite, default=1.0) or 1.0,
            run_pairs=run_pairs(page.run),
        )

    def classes(self) -> str:
        """Render the soil classes' page."""
        return self.render("classes.html", "classes.html", classes=self._classes)

    def trust(self, page: TrustPage, measure: MeasurePage) -> str:
        """Render the page that says how far to trust the run."""
        return self.render("trust.html", "trust.html", page=page, measure=measure)

    def measure(self, page: MeasurePage) -> str:
        """Render the page of what to measure next."""
        return self.render("measure.html", "measure.html", page=page)

    def readings(self, page: ReadingsPage) -> str:
        """Render the page of verdicts, refused rows and books."""
        return self.render("readings.html", "readings.html", page=page, verdicts=words.VERDICTS)

    def method(self, page: MethodPage) -> str:
        """Render the page of method, run facts and glossary."""
        return self.render(
            "method.html",
            "method.html",
            page=page,
            run_pairs=run_pairs(page.run),
            states=words.STATES.values(),
            verdicts=words.VERDICTS,
            glossary=words.GLOSSARY,
        )

    def questions(self, page: QuestionsPage) -> str:
        """Render the list of questions, what has changed first."""
        return self.render("questions.html", "questions.html", page=page)

    def question(self, page: QuestionPage) -> str:
        """Render one question's page."""
        own = charts.embed(
            question_charts.answer_template(page.kind, page.series, page.axis, page.x_axis, page.log_x)
        )
        return self.render(
            "question.html",
            "questions.html",
            root="../",
            page=page,
            own=own,
            key=charts.series_key(page.series, page.series),
        )

    def ground(self, page: GroundPage) -> str:
        """Render the page of what matters in the soil."""
        return self.render("ground.html", "ground.html", page=page)

    def site(self, page: SitePage) -> str:
        """Render one site's page."""
        return self.render("site.html", page.page, root="../", page=page)


def run_pairs(run: RunFacts) -> tuple[tuple[str, str], ...]:
    """Give the run's facts as label and value."""
    passed = len(run.checks) - len(run.failed)
    return (
        ("Judged as of", run.as_of),
        ("Run", run.run_id),
        ("Finished at", run.finished_at),
        ("Calibration", run.calibrated),
        ("Threshold ratio", words.figure(run.threshold_ratio)),
        ("Budget a year", "no limit set" if run.budget is None else words.money(run.budget, run.currency)),
        ("Checks passed", f"{passed} of {len(run.checks)}"),
        ("Warnings", f"{len(run.warnings)}"),
        ("Seed", run.seed),
        *((f"Version of {name}", version) for name, version in run.versions),
    )


def templates_of(page: TrustPage) -> tuple[str, ...]:
    """Name the chart templates that the page's figures need, each once."""
    figures: list[Figure] = [*page.checks, *page.residuals]
    figures += [f for f in (page.fared, page.tenths) if f is not None]
    return tuple(sorted({f.template for f in figures}))


def panel_data(panel: ClassPanel) -> tuple[str, str]:
    """Give the two figures' data of a soil class."""
    level = [] if panel.threshold is None else [panel.threshold]
    return charts.figure_data(curve=panel.ratio, threshold={"level": level}), charts.figure_data(
        share=panel.share, risk=panel.survival.risk
    )


def map_data(points: tuple[MapPoint, ...]) -> str:
    """Give the map figure's data, chances in percent."""
    return charts.figure_data(
        sites={
            "lon": [round(p.longitude, 5) for p in points],
            "lat": [round(p.latitude, 5) for p in points],
            "chance": [None if p.p_limit_5y is None else round(100 * p.p_limit_5y, 1) for p in points],
            "name": [p.site for p in points],
            "region": [p.region for p in points],
            "said": [words.chance(p.p_limit_5y) for p in points],
            "page": [p.page for p in points],
        }
    )
