"""Page objects: the numbers of the run, exactly, and nothing that the run did not say."""

import json
import math
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest

from reports import words
from reports.books import method_page, readings_page
from reports.charts import MOST_ROWS, figure_data, series_key
from reports.classes import class_pages, thinned
from reports.ground import ground_page
from reports.measure import measure_page
from reports.numbers import RankedSite, fleet_page, headline, sureness, tied_places
from reports.site_numbers import SitePage, meaning, rods_sentence, site_pages, time_to_limit
from reports.staged import Staged, read_staged
from reports.thresholds import threshold_ohm, threshold_ratio
from tests.unit.staged_run import write_staged_run

NB = words.NB


@pytest.fixture(scope="module")
def staged(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    return read_staged(write_staged_run(tmp_path_factory.mktemp("staged")))


@pytest.fixture(scope="module")
def sites(staged: Staged) -> dict[str, SitePage]:
    return {page.site_id: page for page in site_pages(staged, "crowns")}


def page_of(staged: Staged, site_id: str) -> SitePage:
    return next(page for page in site_pages(staged, "crowns") if page.site_id == site_id)


def place(rank: int, low: float, high: float, benefit: float = 10.0) -> RankedSite:
    return RankedSite(
        rank=rank,
        rank_low=low,
        rank_high=high,
        site_id=f"S{rank}",
        site=f"Site {rank}",
        page=f"sites/S{rank}.html",
        region="North",
        soil_class="till",
        benefit=benefit,
        cost=5.0,
        benefit_per_cost=benefit / 5,
        p_limit_now=0.2,
        p_limit_5y=0.4,
        reason="",
        attend_first=False,
    )


def test_the_headline_says_where_what_and_how_much(staged: Staged) -> None:
    assert fleet_page(staged).headline == (
        "Spend first at Alder Weir (North Fells): "
        "9,000 crowns there is expected to avoid 42,000 crowns of loss."
    )


def test_the_tie_is_read_from_the_rank_intervals(staged: Staged) -> None:
    page = fleet_page(staged)
    assert tied_places(page.ranking) == 4
    assert page.sureness.startswith("Places 1 to 4 are a tie")
    assert page.sureness.endswith(f"within 5 years: 95{NB}%.")


def test_a_clear_first_place_and_a_tie_of_all() -> None:
    clear = (place(1, 1, 1), place(2, 2, 3), place(3, 2, 3))
    assert sureness(clear).startswith("First place is clear")
    flat = tuple(replace(p, rank_low=1, rank_high=3) for p in clear)
    assert sureness(flat).startswith("All 3 places are a tie")
    gap = (place(1, 1, 2), place(2, 3, 4), place(3, 2, 4))
    assert "so does that of 1 later place" in sureness(gap)


def test_nothing_worth_spending_on_is_said() -> None:
    assert headline((place(1, 1, 1, benefit=0.0),), "crowns").startswith("No site repays")
    assert headline((), "crowns") == "This run ranks no site."


def test_danger_is_listed_gravest_first_with_units_and_apart_from_notes(staged: Staged) -> None:
    page = fleet_page(staged)
    assert page.attend_headline == (
        "3 findings of danger at 3 sites: attend to them before any spending. 1 lesser current noted."
    )
    assert [(f.site, f.page, f.electrode, f.value) for f in page.dangers] == [
        ('Quarry & Sons\' "Yard"', "sites/N-005.html", "N-005-E1", f"12.4{NB}A"),
        ("<script>alert(1)</script>", "sites/N-002.html", "whole site", f"14.0{NB}A"),
        ("site not known", "", "not known", f"900{NB}Ω"),
    ]
    assert [f.finding for f in page.notes] == ["current note"]


def test_danger_is_gathered_by_site_in_the_order_of_the_gravest(staged: Staged) -> None:
    again = (
        staged["attend_first"]
        .head(1)
        .with_columns(
            taken_at=pl.lit(datetime(2026, 5, 20)), value=pl.lit(11.0), finding=pl.lit("lead_reads_open")
        )
    )
    table = pl.concat([staged["attend_first"], again.cast(dict(staged["attend_first"].schema))])
    page = fleet_page(replace(staged, tables=staged.tables | {"attend_first": table}))
    assert [(d.site, d.findings, d.gravest.value, d.newest_on) for d in page.danger_sites] == [
        ('Quarry & Sons\' "Yard"', 2, f"12.4{NB}A", "2026-05-20"),
        ("<script>alert(1)</script>", 1, f"14.0{NB}A", "2026-04-02"),
        ("site not known", 1, f"900{NB}Ω", "not known"),
    ]


def test_no_danger_is_no_proof_of_safety(staged: Staged) -> None:
    notes = staged["attend_first"].filter(pl.col("finding") == "current_note")
    page = fleet_page(replace(staged, tables=staged.tables | {"attend_first": notes}))
    assert "not a proof of safety" in page.attend_headline
    assert page.dangers == ()


def test_the_plan_is_summed_by_year(staged: Staged) -> None:
    page = fleet_page(staged)
    assert [(y.year, len(y.works), y.rods, y.cost, y.benefit) for y in page.plan] == [
        (2026, 2, 11, 18500.0, 63000.0),
        (2027, 2, 8, 20500.0, 24500.0),
        (2028, 1, 3, 11000.0, 8400.0),
    ]
    assert page.plan_sentence == (
        "5 pieces of work from 2026 to 2028 for 50,000 crowns, expected to avoid 95,900 crowns; "
        "budget a year: 30,000 crowns."
    )


def test_the_map_leaves_out_and_names_what_has_no_place(staged: Staged) -> None:
    page = fleet_page(staged)
    assert len(page.points) == 11
    assert page.map_sentence.endswith("1 site not shown, without coordinates.")
    # Chances 0.8 - 0.07 k + 0.15: eleven mapped sites, k = 0 to 10, above one half for k = 0 to 6.
    assert page.map_sentence.startswith("7 of 11 mapped sites")


def test_fleet_facts_count_every_reading_once(staged: Staged) -> None:
    facts = dict(fleet_page(staged).facts)
    assert facts["Sites"] == "12"
    assert facts["Readings"] == "540"
    said = [facts[f"of these {words.verdict(verdict)}"] for verdict in words.VERDICTS]
    assert said == ["466", "36", "36", "2"]
    assert facts["Rows refused and not settled"] == "2"


def test_failed_checks_are_named(staged: Staged) -> None:
    run = dict(staged.run) | {"checks": [{"name": "sums_agree", "passed": False, "rows": 3}]}
    assert fleet_page(replace(staged, run=run)).run.failed == ("sums_agree",)


def test_a_crossing_that_never_comes_is_said_in_words(sites: dict[str, SitePage]) -> None:
    never = sites["../N6"].wells[0]
    assert never.crossing == "not within 200 years"
    assert set(never.chances) == {f"under 1{NB}%"}


def test_a_well_says_its_numbers(staged: Staged, sites: dict[str, SitePage]) -> None:
    row = staged["electrode_outlook"].row(0, named=True)
    well = sites["N-001"].wells[0]
    assert well.level == words.resistance(row["level_ohm"])
    assert well.chances == tuple(words.chance(row[f"p_past_{h}"]) for h in ("now", "1y", "3y", "5y", "10y"))
    assert well.installed_on == "1985-06-01"
    assert well.readings_used == "14"
    assert sites["N-001"].wells[1].break_state == "break confirmed by a second reading"


def test_a_reading_leads_to_its_line(sites: dict[str, SitePage]) -> None:
    first = sites["N-001"].panels[0].readings[0]
    assert (first.taken_on, first.source) == ("2012-04-02", "crew_a/readings_2012.csv, line 2")
    aside = sites["N-001"].panels[0].readings[4]
    assert (aside.verdict, aside.corrected) == ("set aside", "")
    assert aside.reason == "1000 times its neighbours: read in milliohm?"


def test_the_chart_shows_signs_for_each_kind_and_true_values_beside_them(sites: dict[str, SitePage]) -> None:
    points = sites["N-001"].panels[1].points
    assert points["kind"].count("over") == 2
    assert points["kind"].count("aside") == 1
    at = points["kind"].index("over")
    assert points["raw"][at] == 1500.0
    # The two over range are bounds, one is set aside: neither has a corrected value to draw.
    assert len(points["year"]) == 15
    assert len(sites["N-001"].panels[1].corrected["clean"]) == 12
    # Set aside at a thousand times its neighbours: drawn at three times the highest, said as it was read.
    panel = sites["N-001"].panels[0]
    at = panel.points["kind"].index("aside")
    used = [
        raw for raw, kind in zip(panel.points["raw"], panel.points["kind"], strict=True) if kind == "read"
    ]
    assert panel.points["raw"][at] == pytest.approx(3 * max(used), rel=1e-3)
    assert panel.points["said"][at] == panel.readings[4].reading


def test_the_curve_parts_past_from_forecast_and_the_threshold_is_twice_the_baseline(
    staged: Staged, sites: dict[str, SitePage]
) -> None:
    panel = sites["N-001"].panels[0]
    parts = list(panel.curve["part"])
    assert parts == sorted(parts, key=[0, 2, 1].index)
    assert parts.count(2) == 1
    assert len(parts) <= 42
    assert panel.marks["threshold"]["ohm"] == [2 * staged["electrode_outlook"]["baseline_ohm"][0]]
    row = staged["electrode_outlook"].row(0, named=True)
    early = 1985 + 151 / 365.25 + row["crossing_age_p05"]
    assert panel.marks["crossing"]["early"] == [pytest.approx(early, abs=0.02)]


def test_no_crossing_is_drawn_where_none_comes(sites: dict[str, SitePage]) -> None:
    marks = sites["../N6"].panels[0].marks
    assert marks["crossing"] == {}
    assert marks["middle"] == {}
    assert marks["threshold"] != {}


def test_a_crossing_with_an_open_end_reaches_the_edge(staged: Staged) -> None:
    open_end = staged["electrode_outlook"].with_columns(crossing_age_p95=pl.lit(math.inf))
    page = page_of(replace(staged, tables=staged.tables | {"electrode_outlook": open_end}), "N-001")
    panel = page.panels[0]
    assert panel.marks["crossing"]["late"] == [panel.curve["year"][-1]]
    assert "late end not within 200 years" in page.wells[0].crossing


def test_the_site_says_its_state_its_work_and_its_place(sites: dict[str, SitePage]) -> None:
    page = sites["N-001"]
    assert page.headline == (
        f"Alder Weir: 2 of 3 measured electrodes past threshold or broken; "
        f"chance of being past the site's limit 80{NB}% now, 95{NB}% in 5 years."
    )
    assert page.action == "Planned: replace rods in 2026, 6 rods, for 9,000 crowns."
    assert page.sureness.startswith("Rank 1 (10-90 % of the draws: 1 to 4).")
    assert sites["N-005"].action.startswith("Attend to the findings below before anything else.")
    assert sites["=N3"].findings
    assert not sites["=N3"].in_danger
    assert sites["=N3"].action.startswith("Planned")
    assert sites["N-010"].action == "The plan within the budget holds no work here."


def test_unmeasured_rods_and_what_the_bad_ones_mean() -> None:
    outlook = {"rod_count": 12, "wells": 3, "expected_rods_past_now": 4.96, "expected_rods_past_5y": 6.72}
    said = rods_sentence(outlook)
    assert said.startswith("12 driven rods, 9 of them without a test well")
    assert said.endswith("Of all rods 5.0 are expected past threshold now, 6.7 in 5 years.")
    assert "a little" in meaning({"site_ohm_now": 1.0, "site_ohm_if_past_rods_lost": 1.02})
    assert f"much: 1.00{NB}Ω to 1.50{NB}Ω (50 % up)" in meaning(
        {"site_ohm_now": 1.0, "site_ohm_if_past_rods_lost": 1.5}
    )
    assert "not known" in meaning({"site_ohm_now": None, "site_ohm_if_past_rods_lost": None})


def test_a_fit_that_did_not_converge_is_said(staged: Staged) -> None:
    unfit = staged["electrode_outlook"].with_columns(converged=pl.lit(False))
    page = page_of(replace(staged, tables=staged.tables | {"electrode_outlook": unfit}), "N-001")
    assert "3 electrodes did not converge" in page.sureness
    assert not page.wells[0].converged


def test_the_time_to_the_limit_in_words() -> None:
    assert time_to_limit(0.0, 0.0, 0.0) == "none left, with a probability of 90 % or more"
    assert time_to_limit(0.0, 0.0, 0.7) == "middle already reached, 10-90 % 0 to 0.7 years"
    assert time_to_limit(1.0, 3.5, 12.0) == "middle 3.5 years, 10-90 % 1 to 12 years"
    assert time_to_limit(2.0, math.inf, math.inf) == (
        "middle later than the forecast looks, "
        "10-90 % from 2 years on, late end later than the forecast looks"
    )
    assert time_to_limit(math.inf, math.inf, math.inf) == "later than the forecast looks"
    assert time_to_limit(None, None, None) == "not known"


def test_a_key_names_only_what_a_panel_shows() -> None:
    key = series_key(["b", "b"], ("a", "b", "c"))
    assert [name for name, _, _ in key] == ["b"]
    assert key[0][1:] == series_key(["a", "b"], ("a", "b"))[1][1:]


def test_a_limit_out_of_sight_is_said_once(staged: Staged) -> None:
    far = staged["site_outlook"].with_columns(
        pl.lit(math.inf).alias(f"years_to_limit_{q}") for q in ("p10", "p50", "p90")
    )
    page = page_of(replace(staged, tables=staged.tables | {"site_outlook": far}), "N-001")
    assert page.sureness.endswith("Time until the limit: later than the forecast looks.")


def test_a_well_logged_daily_is_drawn_and_listed_in_part(staged: Staged) -> None:
    one = staged["reading_verdicts"].filter(pl.col("electrode_id") == "N-001-E2")
    many = pl.concat([one] * 400)
    page = page_of(replace(staged, tables=staged.tables | {"reading_verdicts": many}), "N-001")
    panel = next(panel for panel in page.panels if panel.heading == "W2, N-001-E2")
    assert panel.readings_held == 6000
    assert len(panel.readings) == 400
    assert 500 <= len(panel.points["year"]) <= 1000
    assert panel.points["kind"].count("over") >= 250


def test_thresholds_material_before_class_before_fleet() -> None:
    settings = {
        "threshold_ratio": 2.0,
        "threshold_ratio_by_class": {"clay": 1.5},
        "threshold_ratio_by_material": {"copper": 3.0},
    }
    assert threshold_ratio(settings, "till", "steel") == 2.0
    assert threshold_ratio(settings, "clay", "steel") == 1.5
    assert threshold_ratio(settings, "clay", "copper") == 3.0
    outlook = {"soil_class": "till", "material": "steel", "baseline_ohm": 10.0}
    assert threshold_ohm(settings, outlook) == 20.0
    assert threshold_ohm(settings | {"threshold_ohm": 12.0}, outlook) == 12.0
    assert threshold_ohm({}, outlook) is None


def test_classes_share_their_axes_and_stand_by_size(staged: Staged) -> None:
    classes = class_pages(staged)
    assert [(p.soil_class, p.electrodes) for p in classes.panels] == [
        ("marsh clay", 80),
        ("glacial till", 60),
        ("river gravel", 40),
    ]
    assert classes.most_years == 50.0
    assert classes.methods == ("Turnbull, visits alone", "fitted curves", "replicas of the model")
    # Share past at 30 years: 1 / (1 + exp((34 - 30) / 4)) = 0.269 for copper, e^1 the odds for galvanized.
    assert f"copper bonded steel 27{NB}%, galvanized steel 50{NB}%" in classes.panels[0].sentence
    assert [row.converged for panel in classes.panels for row in panel.models] == [True, True, True, False]


def test_survival_of_a_class_in_words_and_columns(staged: Staged) -> None:
    clay, till, gravel = (panel.survival for panel in class_pages(staged).panels)
    assert clay.risk == {
        "age": [0.0, 10.0, 20.0, 30.0, 40.0, 50.0],
        "said": ["80", "70", "60", "50", "40", "30"],
    }
    assert "from 8 years to 50 years" in clay.band_sentence
    assert clay.lives_sentence.startswith(
        "By AIC log-normal with site effect fits best; behind it by Weibull 18.0 "
    )
    # A standard deviation of 0.4 of the log is a factor of 1.49; 0.2 and 0.7 are 1.22 and 2.01.
    assert "by a factor of 1.49, 1.22 to 2.01 " in clay.lives_sentence
    assert "within chance" in clay.lives_sentence
    assert "stray by up to 9" in till.lives_sentence
    assert gravel.lives_sentence == ""
    assert clay.ahead[0].visits == f"10{NB}% (5{NB}% to 15{NB}%)"
    assert [(row.age, row.years, row.visits) for row in clay.ahead][2] == ("20 years", "5 years", "not known")
    assert len(clay.otherwise) == 3
    assert clay.otherwise[0].endswith(f"53{NB}% past by 34 years in place of 50{NB}%, within the band.")
    assert clay.otherwise[2].endswith("outside the band.")
    assert "no sign that rods" in clay.missing_sentence
    assert "Lives count from the first visit on" in till.missing_sentence
    assert gravel.missing_sentence == ""
    assert f"2{NB}% a year at 10 years (1{NB}% to 3{NB}%)" in clay.hazard_sentence
    assert clay.hazard["mid"][:2] == [0.5, 2.0]
    assert clay.residuals["residual"][:2] == [0.1, 0.2]
    assert clay.residuals["share"][0] == pytest.approx(100 * 0.9 * 0.0951626, abs=0.01)
    assert clay.residuals_sentence.startswith("Residuals of the Weibull life")
    assert gravel.residuals["residual"] == []
    assert gravel.hazard["mid"] == []


def test_a_method_that_ends_early_says_so(staged: Staged) -> None:
    young = staged["survival_curves"].filter(pl.col("age_years") <= 16).with_columns(low=None, high=None)
    classes = class_pages(replace(staged, tables=staged.tables | {"survival_curves": young}))
    # 1 / (1 + exp((35 - 16) / 4)) = 0.0086 by Turnbull.
    assert f"Turnbull, visits alone under 1{NB}% by 16 years;" in classes.panels[0].share_sentence
    assert "not known" not in classes.panels[0].share_sentence


def test_without_survival_tables_the_curves_shares_stand_in(staged: Staged) -> None:
    empty = staged["survival_curves"].clear()
    classes = class_pages(replace(staged, tables=staged.tables | {"survival_curves": empty}))
    assert classes.methods == ("fitted curves, copper bonded steel", "fitted curves, galvanized steel")


def test_thinning_keeps_both_ends() -> None:
    frame = pl.DataFrame({"x": range(1001)})
    kept = thinned(frame, 60)["x"].to_list()
    assert (kept[0], kept[-1]) == (0, 1000)
    assert len(kept) <= 61
    assert thinned(frame.head(60), 60).height == 60


def test_a_chart_refuses_more_rows_than_a_page_should_draw() -> None:
    figure_data(points={"x": list(range(MOST_ROWS))})
    with pytest.raises(ValueError, match="aggregate"):
        figure_data(points={"x": list(range(MOST_ROWS + 1))})
    with pytest.raises(ValueError, match="JSON"):
        figure_data(points={"x": [math.nan]})


def test_books_balance_and_are_summed(staged: Staged) -> None:
    page = readings_page(staged)
    assert page.book_sums == (150, 137, 10, 3, 1)
    assert [book.balanced for book in page.books] == [True, True]
    wrong = staged["load_books"].with_columns(rows_taken=pl.col("rows_taken") + 1)
    page = readings_page(replace(staged, tables=staged.tables | {"load_books": wrong}))
    assert [book.balanced for book in page.books] == [False, False]


def test_verdicts_are_counted_by_rule_and_year(staged: Staged) -> None:
    page = readings_page(staged)
    by_rule = {row.label: row.counts for row in page.by_rule}
    assert by_rule["unit slip"] == (0, 0, 36, 0)
    assert by_rule["over range"] == (0, 0, 0, 2)
    assert sum(row.total for row in page.by_year) == 540
    assert page.refused[-1].settled == "yes"


def test_method_spells_out_nested_settings(staged: Staged) -> None:
    run = dict(staged.run) | {"calibration": {"season": {"clay": 0.125}, "noise": [0.1, 0.2]}}
    page = method_page(replace(staged, run=run))
    assert page.calibration == (("season.clay", "0.125"), ("noise", "0.1, 0.2"))
    assert ("threshold_ratio", "2") in page.settings


def test_questions_carry_effect_interval_and_sentence(staged: Staged) -> None:
    asked = pl.DataFrame(
        {
            "question_id": ["q1", "q2"],
            "question": ["Does chloride bring the onset forward?", "Do the classes differ?"],
            "outcome": ["onset_age"] * 2,
            "compared": ["chloride_ppm"] * 2,
            "effect": [-3.25, 0.5],
            "effect_low": [-5.0, -1.0],
            "effect_high": [-1.5, 2.0],
            "effect_unit": ["years", "years"],
            "p_adjusted": [0.0004, 0.61],
            "electrodes": [1200, 80],
            "sites": [150, 12],
            "converged": [True, False],
            "verdict": ["supported", "can't tell"],
            "sentence": ["Yes.", "Too few."],
        }
    )
    columns = staged["hypotheses"].clear()
    table = pl.concat([columns, asked.cast({"electrodes": pl.Int64})], how="diagonal")
    page = method_page(replace(staged, tables=staged.tables | {"hypotheses": table}))
    assert page.questions[0].effect == "-3.25 (-5.00 to -1.50) years"
    assert page.questions[0].p_adjusted == "under 0.001"
    assert page.questions[0].rests_on == "1,200 electrodes at 150 sites"
    assert page.questions[1].verdict == "can't tell, did not converge"


def test_tables_that_a_run_leaves_out_are_read_as_empty(tmp_path: Path) -> None:
    (tmp_path / "run.json").write_text(json.dumps({"run_id": "bare"}), encoding="utf-8")
    bare = read_staged(tmp_path)
    assert bare.present == frozenset()
    assert bare["electrode_outlook"].schema["crossing_age_p95"] == pl.Float64
    page = fleet_page(bare)
    assert page.headline == "This run ranks no site."
    assert page.plan == ()


def test_a_folder_without_run_json_is_no_run(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        read_staged(tmp_path)


def test_columns_of_other_types_are_fitted(tmp_path: Path) -> None:
    write_staged_run(tmp_path)
    odd = pl.DataFrame({"site_id": ["A"], "rank": [1.0], "rank_p10": [1], "expected_benefit": [math.nan]})
    odd.write_parquet(tmp_path / "site_ranking.parquet")
    table = read_staged(tmp_path)["site_ranking"]
    assert table["rank"].to_list() == [1]
    assert table["expected_benefit"].to_list() == [None]
    assert table["region"].to_list() == [None]


def test_a_retired_electrode_with_readings_alone_is_shown(staged: Staged) -> None:
    fewer = staged["electrode_outlook"].filter(pl.col("electrode_id") != "N-001-E3")
    page = page_of(replace(staged, tables=staged.tables | {"electrode_outlook": fewer}), "N-001")
    assert [panel.heading for panel in page.panels] == ["W1, N-001-E1", "W2, N-001-E2", "W3, N-001-E3"]
    assert page.panels[2].sentence.startswith("Readings only")


def test_a_well_says_by_how_much_it_leans_on_an_unknown_loop(staged: Staged) -> None:
    first = "N-001"
    leaning, plain = page_of(staged, first).panels[:2]
    assert (
        f"12.0{NB}Ω, taken off, the ratio is 2.4 and the chances are 72{NB}% and 90{NB}%." in leaning.sentence
    )
    assert "leans" not in plain.sentence


def test_a_fault_is_said_with_its_caution_where_it_is_on_record(staged: Staged) -> None:
    says = page_of(staged, "N-002").at_a_fault
    assert f"2.50{NB}kV over remote earth, 2.60{NB}kV with the rods past threshold lost" in says
    assert "0.16 A through a body of 50 kg" in says
    assert "licensed engineers" in says
    assert page_of(staged, "N-001").at_a_fault == ""


def test_a_site_says_what_published_schemes_call_its_ground(staged: Staged) -> None:
    facts = dict(page_of(staged, "N-001").facts)
    assert facts["Corrosivity of the ground"].startswith(
        "corrosive by its 42.0 ohm m; 3.5 points of AWWA C105"
    )
    assert dict(page_of(staged, "N-002").facts)["Corrosivity of the ground"] == words.UNKNOWN


def test_groups_of_ground_are_shown_where_they_stand_for_classes(staged: Staged) -> None:
    assert ground_page(staged).groups == ()
    groups = pl.DataFrame(
        {"soil_class": ["ground B", "ground A"], "sites": [40, 22], "stability": [0.9, 0.98],
         "resistivity_ohm_m": [120.0, 7.3], "ph": [6.9, 8.0], "chloride_ppm": [None, None],
         "sulphate_ppm": [None, None], "redox_mv": [None, None]}
    )  # fmt: skip
    page = ground_page(replace(staged, tables=staged.tables | {"soil_groups": groups}))
    assert page.group_heads == ("Resistivity, ohm m", "pH")
    assert [(g.name, g.sites, g.stability) for g in page.groups] == [
        ("ground A", "22", "0.98"),
        ("ground B", "40", "0.90"),
    ]
    assert page.groups[0].medians[0] == words.figure(7.3)


def test_wells_to_read_again_are_listed_with_how(staged: Staged) -> None:
    page = measure_page(staged)
    (row,) = page.again
    assert (row.electrode, row.taken_on, row.last_good_on) == ("N-001-E2", "2026-04-02", "2025-04-02")
    assert row.how.startswith("Read it twice")
    assert "1 electrode at 1 site leaves" in page.again_sentence
    none = replace(staged, tables=staged.tables | {"measure_again": staged["measure_again"].clear()})
    assert measure_page(none).again_sentence == "No electrode's newest reading leaves a question."
