"""`rodfleet explain`: every number followed to the field sheet, and equal to what the run published."""

import json
import math
import re
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.explain import SAME_CHANCE, explain
from pipeline.explain_words import text
from pipeline.settings import Settings
from tests.flows.small_fleets import (
    SmallFleet,
    facts,
    loaded_and_run,
    one_sentence,
    published,
    read_yearly,
    rodfleet,
    rods,
)

# The fit of a site by itself meets the run's numbers in other batches of single precision.
SAME = 1e-4
GROWING, SLIPPED, OPEN, RENEWED, UNREAD = "S01-1", "S01-2", "S02-1", "S02-2", "S03-3"
LAST = 2024


def _fleet() -> SmallFleet:
    """Nine rods, yearly read: one grows, one has a slipped decimal, one reads open, one was renewed."""
    fleet = read_yearly(rods(3, 3), 2008, LAST)
    fleet.tables["electrodes"][4] |= {"retired_on": date(2022, 1, 1)}
    fleet.tables["electrodes"][0] |= {
        "baseline_ohm": 19.0, "baseline_on": date(1996, 6, 1), "baseline_tied_in": True,
    }  # fmt: skip
    rows = [r | {"note": None, "method": "clamp_on"} for r in fleet.tables["readings"]]
    kept = []
    for r in rows:
        year, well = r["taken_at"].year, r["well_id"]
        if well == "S01-W1" and year > 2019:
            r["resistance_ohm"] = round(r["resistance_ohm"] * math.exp(0.15 * (year - 2019)), 2)
        if well == "S01-W2" and year == 2015:
            r |= {"resistance_ohm": r["resistance_ohm"] * 10, "note": "clamp hard to close"}
        if well == "S02-W1" and year >= 2023:
            r["resistance_ohm"] = ">1500"
        if (well == "S02-W2" and year >= 2022) or well == "S03-W3":
            continue
        kept.append(r)
    repeat = next(r for r in kept if r["well_id"] == "S01-W1" and r["taken_at"].year == LAST)
    kept.append(repeat | {"resistance_ohm": round(repeat["resistance_ohm"] * 1.04, 2)})
    kept.append(repeat | {"taken_at": date(2021, 3, 1), "resistance_ohm": "wet"})
    # half a year after the last sound one: time enough for a step
    other = {"well_id": "S01-W2", "taken_at": date(LAST, 12, 14), "method": "fall_of_potential"}
    kept.append(repeat | other | {"resistance_ohm": 60.0})
    fleet.tables["readings"] = kept
    fleet.tables["works"] = [
        {"site_id": "S01", "done_on": date(2012, 4, 1), "work": "network_changed", "note": "new neutral"}
    ]
    return fleet


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("explain")
    loaded_and_run(_fleet(), folder)
    return folder


def _said(fleet: Path, *words: str) -> str:
    done = rodfleet(fleet, "explain", *words)
    assert done.exit_code == 0, done.output
    return done.output


def _published(fleet: Path, electrode: str) -> dict[str, Any]:
    lives = published(fleet)["electrode_lives"]
    return lives.filter(pl.col("electrode_id") == electrode).row(0, named=True)


def _line_of(fleet: Path, well: str, on: date) -> list[int]:
    """Find the lines of the field sheet that hold a well's readings of a day, by reading the sheet."""
    lines = (fleet / "field/readings.csv").read_text(encoding="utf-8").splitlines()
    return [k for k, line in enumerate(lines, start=1) if line.startswith(f"{well},{on}")]


@pytest.mark.parametrize("electrode", [GROWING, OPEN, RENEWED, UNREAD])
def test_it_says_what_the_run_published_and_fits_it_anew(fleet: Path, electrode: str) -> None:
    told = explain(Settings.load(fleet), electrode, date.today())
    row = _published(fleet, electrode)
    assert told.differs == []
    assert told.answer == row
    assert told.apart[0] < SAME < SAME_CHANCE
    whole = told.explanation.accounts["all"]
    assert (whole.p_past_now, *whole.p_past) == pytest.approx(
        [row[c] for c in ("p_past_now", "p_past_1y", "p_past_3y", "p_past_5y", "p_past_10y")], abs=SAME
    )
    said = text(told)
    assert facts(fleet)["run_id"] in said
    assert facts(fleet)["calibrated"]["name"] in said
    chances = re.search(r"chance past threshold, % +(.+)", said)
    assert chances is not None
    for shown, y in zip(chances.group(1).split(), ("now", "1y", "3y", "5y", "10y"), strict=True):
        assert float(shown.strip("<>")) == pytest.approx(100 * row[f"p_past_{y}"], abs=0.11)


def test_every_reading_appears_with_its_line_and_what_was_taken_off(fleet: Path) -> None:
    for electrode, well in ((GROWING, "S01-W1"), (SLIPPED, "S01-W2"), (OPEN, "S02-W1")):
        told = explain(Settings.load(fleet), electrode, date.today())
        run = published(fleet)["reading_verdicts"].filter(pl.col("electrode_id") == electrode)
        rows = told.readings.join(run, on="row_id", how="full", suffix="_run")
        assert rows.height == run.height == told.readings.height
        for column in ("season_factor", "campaign_factor", "corrected_ohm", "p_wild"):
            apart = rows.select((pl.col(column) - pl.col(f"{column}_run")).abs().max()).item()
            assert apart < 1e-3, column
            assert rows[column].is_null().equals(rows[f"{column}_run"].is_null()), column
        said = text(told)
        for year in range(2008, LAST + 1):
            on = told.readings.filter(pl.col("taken_at").dt.year() == year)["taken_at"][0].date()
            lines = re.findall(rf"^  {on} .* a:(\d+)$", said, flags=re.MULTILINE)
            assert [int(n) for n in lines] == _line_of(fleet, well, on), (electrode, year)


def test_the_ratio_is_the_reading_less_what_was_taken_off_over_the_baseline(fleet: Path) -> None:
    told = explain(Settings.load(fleet), GROWING, date.today())
    who, last = told.electrode, told.readings.row(-1, named=True)
    rest = who["rest_ohm"] if who["ratio_basis"] == "rod_net" else 0.0
    off = last["season_factor"] * last["campaign_factor"]
    assert last["corrected_ohm"] == pytest.approx(last["resistance_ohm"] / off)
    assert last["ratio"] == pytest.approx((last["resistance_ohm"] - rest) / off / told.answer["baseline_ohm"])


def test_without_its_last_reading_a_growing_rod_is_less_likely_past(fleet: Path) -> None:
    told = explain(Settings.load(fleet), GROWING, date.today(), visits=True)
    whole = told.explanation.accounts["all"]
    last = told.left_out.sort("on_date").row(-1, named=True)
    assert last["on_date"].year == LAST
    assert last["p_past_now"] < whole.p_past_now - 0.05
    # two values of the last day entered as one, and what was written down when new is a reading of its own
    assert told.left_out.height == (LAST - 2008 + 1) + 1
    assert told.left_out["when_new"].sum() == 1
    assert told.visits_left_out.height == LAST - 2008 + 1
    said = text(told)
    assert said.count("<-\n") == 2
    assert re.search(r"1996-06-01 new +19\.0", said)


def test_a_reading_set_aside_says_why_and_what_it_would_have_said(fleet: Path) -> None:
    said = " ".join(_said(fleet, SLIPPED).split())
    day = date(2015, 6, 3)
    assert f"{day} set aside (slipped_decimal):" in said
    assert 'The crew wrote: "clamp hard to close"' in said
    told = explain(Settings.load(fleet), SLIPPED, date.today())
    slipped, other = told.set_aside.values()
    whole = told.explanation.accounts["all"]
    assert 0.0 < slipped.moved_from(whole) < 0.01  # so far off that the fit itself takes it for a wild one
    assert other.p_past_now > whole.p_past_now + 0.02
    assert "not_clamp_on" in said
    said_so = re.findall(
        r"Taken as it stands, .+? in 5 years ([\d.]+) %, the median crossing age (\d+\.\d)", said
    )
    assert [(float(p), float(age)) for p, age in said_so] == [
        pytest.approx((100 * a.p_past[2], a.crossing_age[1]), abs=0.051) for a in (slipped, other)
    ]


def test_a_refused_row_and_a_work_are_told_with_their_lines(fleet: Path) -> None:
    said = " ".join(_said(fleet, GROWING).split())
    refused = re.search(r"Refused: readings\.csv, line (\d+): (.+?)\.", said)
    assert refused is not None
    assert int(refused.group(1)) == _line_of(fleet, "S01-W1", date(2021, 3, 1))[0]
    assert "'wet' is not a number" in refused.group(2)
    assert "2012-04-01 network changed (the site):" in said
    assert '"new neutral" works.csv, line 2.' in said
    assert "Refused" not in _said(fleet, SLIPPED)


def test_a_danger_comes_before_any_number_and_a_step_has_its_dates(fleet: Path) -> None:
    said = _said(fleet, OPEN)
    assert said.index("ATTEND FIRST") < said.index("THE ANSWER")
    assert "call licensed" in said.replace("\n", " ")[: said.index("THE ANSWER")]
    assert re.search(r"2022-06-\d\d  2023-06-\d\d +(>99\.9|\d\d\.\d)", said)
    assert "ATTEND FIRST" not in _said(fleet, UNREAD)


def test_the_evidence_stands_side_by_side(fleet: Path) -> None:
    by = explain(Settings.load(fleet), GROWING, date.today()).explanation.accounts
    assert list(by) == ["kind", "site", "readings", "alone", "all"]
    unread = explain(Settings.load(fleet), UNREAD, date.today()).explanation.accounts
    # nobody measured this one: what its site says of it is the answer
    assert unread["site"].moved_from(unread["all"]) < SAME
    assert unread["kind"].moved_from(unread["alone"]) < SAME
    assert by["site"].moved_from(by["all"]) > 0.05


def test_it_fits_a_terminal_of_80_columns_and_ends_with_the_caution(fleet: Path) -> None:
    for electrode in (GROWING, SLIPPED, OPEN, RENEWED, UNREAD):
        said = _said(fleet, electrode, "--visits")
        assert max(len(line) for line in said.splitlines()) <= 80
        assert "Never open an earthing conductor in service." in said.splitlines()[-2]
    assert "It has been renewed" in " ".join(_said(fleet, RENEWED).split())
    assert "Nobody has read it yet" in _said(fleet, UNREAD)


def test_machines_get_the_same_as_json(fleet: Path) -> None:
    told: dict[str, Any] = json.loads(_said(fleet, GROWING, "--json"))
    row = _published(fleet, GROWING)
    assert told["answer"]["p_past_5y"] == row["p_past_5y"]
    assert len(told["readings"]) == LAST - 2008 + 2
    assert {r["file"] for r in told["readings"]} == {"readings.csv"}
    assert told["without_reading"][-1]["p_past_now"] < told["evidence"]["all"]["p_past_now"]


def test_an_id_that_is_not_there_is_a_wrong_request_and_near_ones_are_offered(fleet: Path) -> None:
    assert "S01-1" in one_sentence(rodfleet(fleet, "explain", "S01-11"), 2)
    assert "in it stood S01-1" in one_sentence(rodfleet(fleet, "explain", "S01-W1"), 2)
    assert "There is no electrode" in one_sentence(rodfleet(fleet, "explain", "nothing like it"), 2)


def test_before_any_run_it_says_what_to_do(tmp_path: Path) -> None:
    assert rodfleet(tmp_path, "load", read_yearly(rods(1, 2), 2015, LAST).write(tmp_path)).exit_code == 0
    assert "make one first (`rodfleet run`)" in one_sentence(rodfleet(tmp_path, "explain", GROWING), 1)


def test_what_came_in_since_the_run_is_told_beside_the_other_answer(tmp_path: Path) -> None:
    loaded_and_run(read_yearly(rods(2, 3), 2012, LAST), tmp_path)
    day = published(tmp_path)["electrode_outlook"]["as_of"][0]
    more = tmp_path / "more"
    more.mkdir()
    values = "".join(f"S01-W1,{day},{ohm}\n" for ohm in (61.0, 62.0))
    (more / "readings.csv").write_text(f"well_id,taken_at,resistance_ohm\n{values}", encoding="utf-8")
    assert rodfleet(tmp_path, "load", more).exit_code == 0
    told = explain(Settings.load(tmp_path), GROWING, date.today())
    row = (
        published(tmp_path)["electrode_outlook"].filter(pl.col("electrode_id") == GROWING).row(0, named=True)
    )
    assert "Rows of this site taken since the run: 2." in told.differs
    assert told.answer["p_past_now"] > row["p_past_now"] + SAME_CHANCE
    assert "figures here are those made anew" in " ".join(text(told).split())
    neighbour = explain(Settings.load(tmp_path), "S02-1", date.today())
    assert neighbour.differs == []
