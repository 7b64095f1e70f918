"""The pages of questions and of the soil: exact numbers of the typed objects, what stands on the pages."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from reports.build import build
from reports.ground import ground_page
from reports.questions import QuestionPage, question_page_name, question_pages, questions_page
from reports.staged import Staged, read_staged
from tests.unit.staged_questions import BREAKS, DISTRICTS, SLOPE, UNTOLD
from tests.unit.staged_run import write_staged_run


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_staged_run(tmp_path_factory.mktemp("staged"))


@pytest.fixture(scope="module")
def staged(folder: Path) -> Staged:
    return read_staged(folder)


@pytest.fixture(scope="module")
def pages(staged: Staged) -> dict[str, QuestionPage]:
    return {p.page: p for p in question_pages(staged)}


def test_the_list_has_its_news_first_and_counts_verdicts(staged: Staged) -> None:
    page = questions_page(staged)
    assert page.headline == "4 questions on file: 2 supported, 2 can't tell"
    (news,) = page.news
    assert news.page == question_page_name(DISTRICTS)
    by = {q.page: q for q in page.questions}
    first = by[question_page_name(DISTRICTS)]
    assert (first.effect, first.p_adjusted, first.mark) == ("0.720 (0.500 to 0.950)", "0.042", "open")
    assert first.asked == "2026-01-15 by the foreman"
    assert by[question_page_name(BREAKS)].effect == "at least 1.30"
    assert by[question_page_name(BREAKS)].asked == "of itself by every run"
    assert by[question_page_name(UNTOLD)].effect == "not known"
    assert by[question_page_name(SLOPE)].p_adjusted == "under 0.001"


def test_a_question_of_two_groups_has_curves_numbers_at_risk_and_rivals(
    pages: dict[str, QuestionPage],
) -> None:
    page = pages[question_page_name(DISTRICTS)]
    assert page.kind == "share"
    assert page.series == ("Low Marches", "North Fells")
    assert page.chart["mid"][30] == 50.0
    assert page.at_risk[0].first == "12"
    assert page.power == {"ratio": [1.0, 1.5, 3.0], "chance": [5.0, 42.0, 99.0]}
    assert page.ratios["name"] == ["as asked", "soil class held", "material held"]
    assert page.ratios["mid"] == [0.72, 0.95, 0.7]
    assert [r.marked for r in page.rivals] == [True, False, True]
    assert page.rivals[2].held == "can't be told apart"
    assert [r.lonely for r in page.overlap] == [True, False, False]
    assert page.overlap[1].first == "3 at 1 site"
    assert dict(page.facts)["p that the ratio lies outside 0.80 to 1.25"] == "0.700"
    assert dict(page.register)["Asked by"] == "the foreman"
    assert page.change == "On 2026-04-30 the answer was: supported, 0.55 times"


def test_slopes_rates_and_what_cannot_be_told_have_pages_too(pages: dict[str, QuestionPage]) -> None:
    slope = pages[question_page_name(SLOPE)]
    assert (slope.kind, slope.log_x, slope.x_axis) == ("slope", True, "chloride, ppm")
    assert slope.at_risk == ()
    rate = pages[question_page_name(BREAKS)]
    assert rate.chart["mid"] == [2.0, 9.0]
    assert rate.ratios["name"] == []
    untold = pages[question_page_name(UNTOLD)]
    assert (untold.kind, untold.checks, untold.rivals) == ("", (), ())


def test_the_soil_page_leads_with_the_first_property_and_warns(staged: Staged) -> None:
    page = ground_page(staged)
    assert page.headline.startswith("Chloride carries most")
    assert page.warnings == ("Chloride stands for soil class.",)
    assert [r.lost for r in page.rows] == ["40.0", "20.0", "0.0", "0.0"]
    assert page.rows[1].stands_for == "soil class (0.90)"
    assert [d.template for d in page.dependence] == ["dependence_log", "dependence", "dependence_names"]
    assert page.dependence[0].sentence.startswith("Highest over lowest hazard: 3.0 times")


def test_pages_are_written_escaped_and_say_so_where_there_is_nothing(folder: Path, tmp_path: Path) -> None:
    build(folder, tmp_path / "out", "r")
    text = (tmp_path / "out" / question_page_name(DISTRICTS)).read_text(encoding="utf-8")
    assert "<b>in</b>" not in text
    assert "Rods &lt;b&gt;in&lt;/b&gt; North Fells" in text
    assert "Why &lt;i&gt;so&lt;/i&gt;?" in text
    assert len(list((tmp_path / "out/questions").glob("*.html"))) == 4
    bare = write_staged_run(tmp_path / "bare")
    for name in ("hypotheses", "question_news", "question_charts", "soil_importance", "soil_dependence"):
        pl.read_parquet(bare / f"{name}.parquet").clear().write_parquet(bare / f"{name}.parquet")
    build(bare, tmp_path / "empty", "r")
    assert "No question was asked in this run" in (tmp_path / "empty/questions.html").read_text(
        encoding="utf-8"
    )
    assert "Too little has crossed" in (tmp_path / "empty/ground.html").read_text(encoding="utf-8")
