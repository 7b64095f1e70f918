"""The folder of a demo: room for it, the settings of its invented owner, and questions to it."""

from pathlib import Path

from pipeline.errors import RequestError

SETTINGS = """\
# What the owner of the invented fleet decides. `rodfleet --fleet demo settings` lists every key with its
# meaning; a key that is not here keeps its default. After a change: `rodfleet --fleet demo run`.

# Money for one year's replacements. It does not reach for everything that is worth its cost, so that the
# plan has to choose, and spreads over five years.
budget = 400000
currency = "crowns"
plan_years = 5

# Sending a crew to a site once to read all its wells: the page of what to measure next sets it beside the
# worth of the readings.
visit_cost = 450

# An electrode is past threshold when its resistance is this many times what it was when new.
threshold_ratio = 2.0

# A site is past its own limit when this share of its rods is past threshold.
site_limit_kind = "share_of_rods_past"
site_limit_value = 0.3
"""

# Three questions of which the invented fleet knows the answer: chloride does bring corrosion forward within a
# soil class; districts differ by their soils alone; no purchase was better or worse than another.
QUESTIONS = {
    "chloride": """\
# Does chloride bring the threshold forward, once the soil class is held?
outcome = "time_to_threshold"
compare = "chloride_ppm"
slope = "doubling"
hold = ["soil_class", "material"]
asked_by = "the reliability analyst"
note = "Brackish sites seem to go first; is it the salt, or the silt that it comes with?"
""",
    "district": """\
# Do rods in Wendrick last longer than in Saltmere? Look at what else lies in the comparison.
outcome = "time_to_threshold"
compare = "region"
between = ["Saltmere", "Wendrick"]
asked_by = "the district manager"
note = "Saltmere renews twice as many rods: is something wrong with its crews or its stock?"
""",
    "purchase": """\
# Were the rods of these seven years worse than others?
outcome = "time_to_threshold"
compare = "purchase"
hold = ["soil_class", "material"]
margin = 1.3
asked_by = "the buyer"
note = "Rods were bought elsewhere in these years."

[purchase]
installed = ["1998-01-01", "2004-12-31"]
""",
}


def make_demo_folder(folder: Path) -> None:
    """Make the folder ready for a demo, with settings; an earlier demo's store makes way, its settings stay.

    Raises RequestError for a file, or a folder that holds something else.
    """
    if folder.exists() and not folder.is_dir():
        raise RequestError(f"{folder} is a file; give a new folder for the demo.")
    if folder.is_dir() and any(folder.iterdir()):
        if not (folder / "field" / "truth").is_dir():
            raise RequestError(
                f"{folder} is neither empty nor an earlier demo; give a new folder for the demo."
            )
        for name in ("store.duckdb", "store.duckdb.wal"):
            (folder / name).unlink(missing_ok=True)
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "fleet.toml").exists():
        (folder / "fleet.toml").write_text(SETTINGS, encoding="utf-8")
    if not (folder / "questions").exists():
        (folder / "questions").mkdir()
        for name, text in QUESTIONS.items():
            (folder / "questions" / f"{name}.toml").write_text(text, encoding="utf-8")
