"""A number is followed back to its line of the field sheet, which need not be at hand any more."""

from datetime import date
from pathlib import Path

import pytest

from pipeline.errors import RequestError
from pipeline.intake.load import load
from pipeline.line_of_sheet import what_became_of
from pipeline.store import Store

READINGS = """well_id,taken_at,resistance_ohm,corrects,battery
A-W1,2010-03-01,12.5,,87
A-W1,20x0-03-01,9,,88
A-W1,2011-03-01,">1500",,
"""
CORRECTION = "well_id,taken_at,resistance_ohm,corrects\nA-W1,2010-03-01,13.5,true\nA-W1,2010-03-01,9,\n"


def test_each_line_says_what_it_was_and_what_became_of_it(tmp_path: Path) -> None:
    field = tmp_path / "field"
    field.mkdir()
    (field / "sites.csv").write_text("site_id,site_name\nA,Aber Moor\n", encoding="utf-8")
    (field / "electrodes.csv").write_text(
        "electrode_id,site_id,well_id,installed_on\nA-1,A,A-W1,2000-05-01\n", encoding="utf-8"
    )
    readings = field / "readings_1.csv"
    readings.write_text(READINGS, encoding="utf-8")
    with Store.open(tmp_path / "store.duckdb") as store:
        load(store, [field], date(2026, 11, 24), lambda _: None)
        readings.write_text(CORRECTION, encoding="utf-8")
        readings.rename(field / "readings_2.csv")
        load(store, [field], date(2026, 11, 25), lambda _: None)
        first, refused, over = (what_became_of(store, "readings_1.csv", n) for n in (2, 3, 4))
        (superseded,) = [x for x in first if "what became" in x]
        with pytest.raises(RequestError, match="Nothing was taken or refused"):
            what_became_of(store, "readings_1.csv", 99)
    assert first[0] == "readings_1.csv, line 2"
    assert first[1].endswith("well_id A-W1, taken_at 2010-03-01, resistance_ohm 12.5, battery 87")
    assert "taken_at 2010-03-01 00:00:00, resistance_ohm 12.5, outcome read" in first[2]
    assert "taken, and replaced on 2026-11-25" in superseded
    assert superseded.endswith("by readings_2.csv, line 2")
    assert "refused: taken_at '20x0-03-01' is not a date" in "\n".join(refused)
    assert "it waits for its correction" in "\n".join(refused)
    assert "resistance_ohm 1500.0, range_mark over" in over[2]
    assert over[3].endswith("taken, and it stands")
    assert "SHA-256" in over[-1]
