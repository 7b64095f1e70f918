"""The pages on trust and on what to measure: the numbers of the tables, exactly, and said right."""

from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from reports import words
from reports.measure import measure_page
from reports.staged import TABLES, Staged, read_staged
from reports.trust import MOST_CLASSES, Figure, trust_page, value_of
from tests.unit.staged_run import write_staged_run

NB = words.NB


@pytest.fixture(scope="module")
def staged(tmp_path_factory: pytest.TempPathFactory) -> Staged:
    return read_staged(write_staged_run(tmp_path_factory.mktemp("staged")))


def changed(staged: Staged, **tables: pl.DataFrame) -> Staged:
    return replace(staged, tables={**staged.tables, **tables})


def without(staged: Staged, *names: str) -> Staged:
    return changed(staged, **{n: pl.DataFrame(schema=TABLES[n]) for n in names})


def figure(figures: tuple[Figure, ...], heading: str) -> Figure:
    return next(f for f in figures if f.heading.startswith(heading))


def test_the_headline_counts_what_does_not_fit(staged: Staged) -> None:
    page = trust_page(staged)
    assert page.headline == (
        "In 17 of 19 summaries the readings look like the model's own; "
        "1 group of readings and 2 electrodes do not fit it."
    )
    calm = changed(
        staged,
        model_checks=staged["model_checks"].with_columns(flagged=pl.lit(False)),
        residual_checks=staged["residual_checks"].with_columns(flagged=pl.lit(False)),
        not_understood=staged["not_understood"].clear(),
    )
    assert trust_page(calm).headline.endswith("the readings look like the model's own; all fit it.")
    assert trust_page(without(staged, "model_checks")).headline == (
        "This run was not checked against replicas of its model."
    )


def test_replicas_and_readings_stand_by_class_in_the_order_of_their_size(staged: Staged) -> None:
    ratio = figure(trust_page(staged).checks, "Last reading over twice")
    data = ratio.tables["check"]
    assert data["name"] == ["marsh clay", "glacial till", "river gravel", "all classes"]
    assert data["own"] == [20.0, 21.0, 22.0, 23.0]
    assert (data["low"][0], data["mid"][0], data["high"][0]) == (15.0, 21.0, 27.0)
    assert ratio.sentence == "No class lies beyond all replicas."
    scatter = figure(trust_page(staged).checks, "Scatter")
    assert scatter.tables["check"]["flag"] == ["no", "yes", "no", "no"]
    assert scatter.tables["check"]["own"][1] == 0.5
    assert scatter.sentence == "Beyond all replicas: glacial till."


def test_a_fleet_of_many_classes_shows_the_largest_and_the_whole(staged: Staged) -> None:
    one = staged["model_checks"].filter(
        (pl.col("soil_class") == "marsh clay") & (pl.col("summary") == "ratio_over_2")
    )
    many = pl.concat(
        [
            one.with_columns(soil_class=pl.lit(f"class {k:02d}"), electrodes=pl.lit(k, pl.Int64))
            for k in range(30)
        ]
    )
    whole = staged["model_checks"].filter(pl.col("soil_class") == "all classes")
    names = (
        trust_page(changed(staged, model_checks=pl.concat([many, whole]))).checks[0].tables["check"]["name"]
    )
    assert len(names) == MOST_CLASSES + 1
    assert names[0] == "class 29"
    assert names[-1] == "all classes"


def test_summaries_and_crossings_that_part_are_told_apart(staged: Staged) -> None:
    page = trust_page(staged)
    assert [(f.soil_class, f.observed, f.replicas) for f in page.flagged_checks] == [
        ("glacial till", "0.500", "0.150 to 0.270")
    ]
    assert [(f.soil_class, f.observed) for f in page.survival] == [("glacial till", f"50.0{NB}%")]
    assert page.survival[0].says == "The readings cross earlier <b>here</b>."
    assert page.survival_sentence == "Data and replicas part in glacial till; in 2 other classes they do not."


def test_groups_are_drawn_with_their_intervals_and_named_where_they_stand_out(staged: Staged) -> None:
    page = trust_page(staged)
    assert [f.heading for f in page.residuals] == [
        "By month", "By meter", "By campaign: district and year",
    ]  # fmt: skip
    meters = figure(page.residuals, "By meter")
    assert meters.template == "shift"
    assert meters.tables["shift"]["low"] == [-1.6, 5.5, -1.6]
    assert meters.sentence == "<i>K2</i> reads 8 % high beside the rest."
    assert figure(page.residuals, "By campaign").template == "shifts"
    assert figure(page.residuals, "By month").sentence.startswith(
        "No group stands out; the largest shift is +0.4 %"
    )
    (group,) = page.flagged_groups
    assert (group.group, group.interval, group.readings) == ("<i>K2</i>", f"+5.5 to +9.5{NB}%", "90")


def test_a_group_of_which_little_is_known_is_left_out_of_the_picture(staged: Staged) -> None:
    wide = staged["residual_checks"].with_columns(
        shift_high_pct=pl.when(pl.col("group") == "Mar").then(60.0).otherwise(pl.col("shift_high_pct"))
    )
    months = figure(trust_page(changed(staged, residual_checks=wide)).residuals, "By month")
    assert months.tables["shift"]["group"] == ["Apr", "May", "Jun"]


def test_forecasts_stand_against_what_came_by_tenths(staged: Staged) -> None:
    fared = trust_page(staged).fared
    assert fared is not None
    data = fared.tables["fared"]
    assert data["forecast"] == [5.0, 25.0, 45.0, 65.0, 85.0]
    assert data["observed"] == [4.0, 30.0, 40.0, 70.0, 85.0]
    assert data["low"][0] == 0.0
    assert data["high"][4] == 100.0
    assert data["horizon"] == ["5 years"] * 5
    assert "as of 2019-06-01" in fared.sentence
    assert "5 of 5 tenths" in fared.sentence


def test_two_backtests_of_a_horizon_are_pooled_by_their_electrodes(staged: Staged) -> None:
    first = staged["track_tenths"]
    second = first.with_columns(
        forecast_on=pl.date(2015, 6, 1), electrodes=pl.col("electrodes") * 3, observed=pl.lit(0.0)
    )
    fared = trust_page(changed(staged, track_tenths=pl.concat([first, second]))).fared
    assert fared is not None
    assert fared.tables["fared"]["electrodes"] == [160, 80, 40, 40, 80]
    assert fared.tables["fared"]["observed"] == [1.0, 7.5, 10.0, 17.5, 21.2]
    assert "as of 2015-06-01, 2019-06-01" in fared.sentence


def test_without_a_backtest_the_tenths_of_the_readings_speak(staged: Staged) -> None:
    page = trust_page(without(staged, "track_tenths"))
    assert page.fared is None
    assert "rodfleet backtest" in page.sentences[0]
    assert page.tenths is not None
    assert page.tenths.tables["tenth"]["share"] == [9.0, 9.2, 9.4, 9.6, 9.8, 10.0, 10.2, 10.4, 10.6, 10.8]
    assert "9.0 to 10.8 % in a tenth" in page.tenths.sentence


def test_what_is_not_understood_leads_to_its_well(staged: Staged) -> None:
    first = trust_page(staged).puzzles[0]
    assert first.electrode == "N-002-E2"
    assert first.page == words.site_page("N-002")
    assert first.state == "not understood"
    assert "3.1 times" in first.why


def test_values_are_said_as_shares_or_as_figures() -> None:
    assert value_of("ratio_over_2", 0.123) == f"12.3{NB}%"
    assert value_of("reading_scatter", 0.1234) == "0.123"
    assert value_of("lag_1", None) == words.UNKNOWN


def test_a_round_is_named_with_its_worth_and_cost(staged: Staged) -> None:
    page = measure_page(staged)
    assert page.headline == (
        "A round next year is worth most at Alder Weir: about 300 crowns by what it may change there."
    )
    assert page.sentence == (
        "At 2 of 3 sites a reading may change the decision: 2 of 3 wells. Money is counted at 2.5 times its "
        "amount: that is what it earns in the best work that next year's budget leaves out. "
        "A visit costs 150 crowns: worth it for its own sake at 1."
    )
    assert [(r.site, r.value, r.cost, r.worth_it) for r in page.rounds] == [
        ("Alder Weir", 300.0, 150.0, True),
        ("<script>alert(1)</script>", 90.0, 150.0, False),
    ]
    assert [(w.electrode, w.value, w.narrower) for w in page.wells] == [
        ("N-001-E1", 120.0, f"50{NB}%"),
        ("N-002-E1", 40.0, f"10{NB}%"),
    ]
    assert page.has_cost


def test_without_a_cost_or_money_the_page_says_so(staged: Staged) -> None:
    rounds = staged["next_rounds"]
    free = rounds.with_columns(visit_cost=pl.lit(None, pl.Float64), worth_the_visit=pl.lit(None, pl.Boolean))
    page = measure_page(changed(staged, next_rounds=free))
    assert not page.has_cost
    assert "visit_cost in fleet.toml" in page.sentence
    nothing = {c: pl.lit(None, pl.Float64) for c in ("value", "p_change_of_decision")}
    poor = measure_page(
        changed(
            staged,
            next_rounds=free.with_columns(**nothing),
            next_readings=staged["next_readings"].with_columns(**nothing),
        )
    )
    assert poor.headline.startswith("No money is on record")
    assert poor.rounds == ()
    assert [w.electrode for w in poor.wells] == ["N-001-E1", "N-002-E1", "=N3-E1"]
    still = measure_page(changed(staged, next_rounds=rounds.with_columns(value=pl.lit(0.0))))
    assert still.headline.startswith("No likely reading")
    assert measure_page(without(staged, "next_rounds", "next_readings")).rounds == ()


def test_what_vetting_said_stands_by_rule_with_what_stands_out(staged: Staged) -> None:
    marks = trust_page(staged).verdicts
    total = staged["reading_verdicts"].height
    assert [(m.rule, m.verdict, m.readings) for m in marks.rules] == [
        ("calibration lapsed", words.verdict("doubtful"), "11"),
        ("slipped decimal", words.verdict("set_aside"), "1"),
    ]
    assert marks.rules[0].share == f"{100 * 11 / total:.2f}{NB}%"
    assert marks.rules[0].stands_out == "meter <b>J7</b>: 11 of 52, 6.2 times as often as elsewhere"
    assert marks.rules[1].stands_out == ""
    assert "1 crew, meter or year stands out" in marks.sentence
    alone = staged["verdict_groups"].with_columns(times=pl.lit(None, dtype=pl.Float64))
    said = trust_page(changed(staged, verdict_groups=alone)).verdicts.rules[0].stands_out
    assert said == "meter <b>J7</b>: 11 of 52, none elsewhere"
    calm = trust_page(without(staged, "verdict_groups")).verdicts
    assert "no crew, meter or year stands out" in calm.sentence
    assert trust_page(without(staged, "verdict_counts")).verdicts.rules == ()


def test_a_run_without_the_tables_still_has_its_pages(tmp_path: Path) -> None:
    folder = write_staged_run(tmp_path)
    for name in (
        "model_checks",
        "residual_checks",
        "not_understood",
        "next_readings",
        "next_rounds",
        "track_tenths",
    ):
        (folder / f"{name}.parquet").unlink()
    staged = read_staged(folder)
    page = trust_page(staged)
    assert page.checks == page.residuals == page.puzzles == ()
    assert measure_page(staged).headline == "This run does not say what another reading would be worth."


def test_curves_that_speed_up_are_told_with_their_weight_and_what_it_gained(staged: Staged) -> None:
    facts = {
        "curve_onset_clay": 0.4, "curve_accelerating_clay": 0.6, "curve_accelerating_sand": 0.0,
        "curve_families_gain_in_log_score": 12.34,
    }  # fmt: skip
    page = trust_page(replace(staged, run={**staged.run, "calibration": facts}))
    assert (
        "Readings that were held out are better predicted where some curves speed up after their onset "
        "(log score +12.3). Weight of such curves by soil class: clay 60 %."
    ) in page.sentences
    none = facts | {"curve_accelerating_clay": 0.0}
    calm = trust_page(replace(staged, run={**staged.run, "calibration": none})).sentences
    assert calm == trust_page(staged).sentences
