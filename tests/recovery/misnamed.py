"""Invented fleets whose crews call wells and sites by names of their own, with the truth of every name.

TUNED_ON are the ways by which the score was fitted; HELD_OUT it has never seen. Names of wells that the
register lacks stand among them: they mean nothing that is known.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from synthetic_fleet.fleet import Simulated, simulate

PROFILE = """about = "A crew's log with its own headings."
files = ["crewlog*.csv"]

[[maps]]
table = "readings"
well_number_with = "Site"

[maps.columns]
well_id = "Well"
taken_at = "Date"
resistance_ohm = "Ohm"
outcome = "Result"
instrument_id = "Meter"
crew = "Read by"
"""


@dataclass(frozen=True)
class Names:
    """What a crew knows of a well when it names it."""

    site_id: str
    site_name: str
    number: int
    wells: int


Way = Callable[[Names, np.random.Generator], str]


def _slip(text: str, rng: np.random.Generator) -> str:
    """Exchange two letters that stand side by side, or leave one out."""
    k = int(rng.integers(0, max(len(text) - 1, 1)))
    return (
        text[:k] + text[k + 1 :] if rng.random() < 0.5 else text[:k] + text[k : k + 2][::-1] + text[k + 2 :]
    )


def _area(n: Names) -> str:
    return n.site_id.split("-")[0]


def _site_no(n: Names) -> int:
    return int(n.site_id.split("-")[1])


def _own_order(n: Names) -> int:
    """Give the well's number in an order that this crew has for this site."""
    order = np.random.default_rng([_site_no(n), n.wells, len(n.site_name)]).permutation(n.wells)
    return int(order[(n.number - 1) % n.wells]) + 1


def _roman(number: int) -> str:
    out = ""
    for value, sign in ((10, "X"), (9, "IX"), (5, "V"), (4, "IV"), (1, "I")):
        while number >= value:
            out, number = out + sign, number - value
    return out


# With the site beside it (True), or alone.
TUNED_ON: dict[str, tuple[bool, Way]] = {
    "lower case, spaces": (False, lambda n, _: f"{n.site_id} w{n.number:02d}".lower().replace("-", " ")),
    "no leading zeros": (False, lambda n, _: f"{_area(n)}-{_site_no(n)}-W{n.number}"),
    "W3 at the site": (True, lambda n, _: f"W{n.number}"),
    "Well 03 at the site": (True, lambda n, _: f"Well {n.number:02d}"),
    "site's name and number": (False, lambda n, _: f"{n.site_name} {n.number}"),
    "district left out": (False, lambda n, _: f"{_site_no(n):03d}/W{n.number:02d}"),
    "slip of the pen": (False, lambda n, rng: _slip(f"{n.site_id}-W{n.number:02d}", rng)),
    "rod letter at the site": (
        True,
        lambda n, _: f"Rod {chr(64 + n.number)}" if n.number < 27 else f"Rod {n.number}",
    ),
    "counted from nought": (True, lambda n, _: f"P{n.number - 1}"),
    "numbered in an order of their own": (True, lambda n, _: f"T{_own_order(n)}"),
    "counted round the other way": (True, lambda n, _: f"No. {n.wells + 1 - n.number}"),
}
HELD_OUT: dict[str, tuple[bool, Way]] = {
    "Roman number at the site": (True, lambda n, _: f"pit {_roman(n.number)}"),
    "initials and number": (
        False,
        lambda n, _: f"{''.join(w[0] for w in n.site_name.split())} {_area(n)} {n.number}",
    ),
    "counted from elsewhere at the site": (
        True,
        lambda n, _: f"P{(n.number + n.wells // 2 - 1) % n.wells + 1}",
    ),
    "three digits at the site": (True, lambda n, _: f"E{100 + n.number}"),
    "another language": (False, lambda n, _: f"Brunnen {n.number}, {n.site_name}"),
    "the number first": (False, lambda n, _: f"{n.number:03d}.{n.site_name.replace(' ', '_').upper()}"),
    "compass and number": (True, lambda n, _: f"{'NESW'[n.number % 4]}{n.number}"),
    "name cut short": (False, lambda n, _: f"{n.site_name.split()[0][:5]} stn w{n.number}"),
    "in words at the site": (True, lambda n, _: f"well {_WORDS[n.number % 13]}"),
}
_WORDS = [
    "nil",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
]

SITE_TUNED_ON: dict[str, Way] = {
    "lower case, spaces": lambda n, _: n.site_id.lower().replace("-", " "),
    "the name": lambda n, _: n.site_name,
    "no leading zeros": lambda n, _: f"{_area(n)}{_site_no(n)}",
    "slip in the name": lambda n, rng: _slip(n.site_name, rng),
    "name and word": lambda n, _: f"{n.site_name} substation",
    "words exchanged": lambda n, _: ", ".join(reversed(n.site_name.split())),
}
SITE_HELD_OUT: dict[str, Way] = {
    "no vowels": lambda n, _: " ".join(w[0] + re.sub("[aeiou]", "", w[1:]) for w in n.site_name.split()),
    "area and name": lambda n, _: f"{_area(n)} {n.site_name.upper()}",
    "name cut short": lambda n, _: " ".join(w[:4] + "." for w in n.site_name.split()),
    "id and name": lambda n, _: f"{n.site_name} ({n.site_id})",
    "initials": lambda n, _: "".join(w[0] for w in n.site_name.split()),
}


@dataclass(frozen=True)
class MisnamedFleet:
    """Field files, and the truth: kind, name, hint (the site written beside it), means (or null), way."""

    folder: Path
    truth: pl.DataFrame


def make_misnamed(folder: Path, sites: int, seed: int, held_out: bool) -> MisnamedFleet:
    """Write a fleet whose crews misname by one set of ways; the same arguments give the same files."""
    sim = simulate(sites, seed, "field")
    rng = np.random.default_rng([seed, 77, int(held_out)])
    tables = dict(sim.tables)
    tables["electrodes"], missing = _unregistered(tables["electrodes"], rng)
    log, truth = _log(sim, HELD_OUT if held_out else TUNED_ON, missing, rng)
    tables["soil_surveys"], of_sites = _surveys(sim, SITE_HELD_OUT if held_out else SITE_TUNED_ON, rng)
    field = folder / "field"
    field.mkdir(parents=True)
    for name, table in tables.items():
        if name != "readings":
            table.write_csv(field / f"{name}.csv")
    for region, rows in log.group_by("region"):
        rows.drop("region").write_csv(field / f"crewlog {region[0]}.csv")
    (folder / "layouts").mkdir()
    (folder / "layouts" / "crewlog.toml").write_text(PROFILE, encoding="utf-8")
    schema = ("kind", "name", "hint", "means", "way")
    whole = pl.DataFrame([*truth, *of_sites], schema=schema, orient="row", infer_schema_length=None)
    return MisnamedFleet(folder, whole.unique(maintain_order=True))


def _unregistered(electrodes: pl.DataFrame, rng: np.random.Generator) -> tuple[pl.DataFrame, set[str]]:
    """Strike one well of every sixth site from the register."""
    wells = electrodes.drop_nulls("well_id").select("site_id", "well_id").unique().sort("site_id", "well_id")
    missing = {
        str(rng.choice(g["well_id"].to_numpy()))
        for _, g in wells.group_by("site_id", maintain_order=True)
        if rng.random() < 1 / 6
    }
    return electrodes.filter(~pl.col("well_id").fill_null("").is_in(missing)), missing


_Truth = list[tuple[str, str, str | None, str | None, str]]


def _log(
    sim: Simulated, ways: dict[str, tuple[bool, Way]], missing: set[str], rng: np.random.Generator
) -> tuple[pl.DataFrame, _Truth]:
    """Write the readings as logs; at half of the sites a crew, or all from a year on, misname wells."""
    named = sim.tables["sites"].select("site_id", "site_name", "region")
    readings = sim.tables["readings"].filter(pl.col("well_id").is_not_null()).join(named, on="site_id")
    truth: _Truth = [("well", w, None, None, "not registered") for w in sorted(missing)]
    parts = []
    for _, own in readings.group_by("site_id", maintain_order=True):
        hint, name = pl.lit(None, pl.String), pl.col("well_id")
        chosen = pl.lit(False)
        if rng.random() < 0.5:
            way = str(rng.choice(sorted(ways)))
            hinted, make = ways[way]
            wells = sorted(own["well_id"].unique())
            of = {
                w: Names(own["site_id"][0], own["site_name"][0], int(w.rsplit("-W", 1)[1]), len(wells))
                for w in wells
            }
            called = {w: make(of[w], rng) for w in wells}
            if rng.random() < 0.5:
                called = {w: n for w, n in called.items() if rng.random() < 0.5}
            crew = str(rng.choice(own["crew"].drop_nulls().unique().sort().to_numpy()))
            chosen = (pl.col("crew") == crew) if rng.random() < 0.6 else pl.col("taken_at").dt.year() >= 2018
            chosen = chosen & pl.col("well_id").is_in(list(called))
            site = own["site_id"][0] if hinted else None
            used = set(own.filter(chosen)["well_id"])
            truth += [
                ("well", n, site, None if w in missing else w, way)
                for w, n in called.items()
                if w in used and n != w
            ]
            name = pl.when(chosen).then(pl.col("well_id").replace(called)).otherwise("well_id")
            hint = pl.when(chosen).then(pl.lit(site, pl.String)) if site else hint
        parts.append(
            own.select(
                "region", Site=hint, Well=name, Date=pl.col("taken_at").dt.strftime("%Y-%m-%d"),
                Ohm=_written(), Result="outcome", Meter="instrument_id", **{"Read by": pl.col("crew")},
            )
        )  # fmt: skip
    return pl.concat(parts), truth


def _written() -> pl.Expr:
    sign = pl.col("range_mark").fill_null("").replace({"over": ">", "under": "<"})
    return sign + pl.col("resistance_ohm").cast(pl.String)


def _surveys(sim: Simulated, ways: dict[str, Way], rng: np.random.Generator) -> tuple[pl.DataFrame, _Truth]:
    """Let half of the surveys name their site in another way; a tenth of them a site that nobody knows."""
    surveys = sim.tables["soil_surveys"]
    names = dict(sim.tables["sites"].select("site_id", "site_name").iter_rows())
    called, truth = {}, []
    for site in surveys["site_id"].unique().sort():
        if rng.random() < 0.1:
            called[site] = (
                f"{rng.choice(['Hollow', 'Priory', 'Larch'])} {rng.choice(['Gate', 'Mill', 'Cross'])}"
            )
            known = [s for s, n in names.items() if n == called[site]]
            truth.append(("site", called[site], None, known[0] if len(known) == 1 else None, "nobody's"))
        elif rng.random() < 0.5:
            way = str(rng.choice(sorted(ways)))
            called[site] = ways[way](Names(site, names[site], 0, 0), rng)
            truth.append(("site", called[site], None, site, way))
    return surveys.with_columns(pl.col("site_id").replace(called)), truth
