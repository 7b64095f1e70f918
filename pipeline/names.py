"""Proposals that a person decides on: names, sites entered twice, rods replaced under their old number.

Nothing here is applied by itself. What is decided becomes rows of the tables `aliases` and `works`, and
comes in as any field file does.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl

from models.rod_renewals import unrecorded_renewals
from pipeline.errors import RequestError
from pipeline.name_proposals import SHOWN_FROM, Proposal, propose_names
from pipeline.refused import write_refused
from pipeline.site_twins import Twins, site_twins
from pipeline.store import Store
from pipeline.unknown_names import Unknown

LISTED = "names_proposed.csv"
ALIAS, RENEWAL = "alias", "replaced"
ALIAS_COLUMNS = ("kind", "alias", "means", "site_id", "decision", "decided_by", "note")
WORK_COLUMNS = ("site_id", "electrode_id", "done_on", "work", "note")
_BESIDE = ("score", "why", "rows_waiting")
_SCHEMA = {
    "number": pl.Int64, "what": pl.String, "kind": pl.String, "alias": pl.String, "means": pl.String,
    "site_id": pl.String, "electrode_id": pl.String, "done_on": pl.Date, "score": pl.Float64,
    "why": pl.String, "rows_waiting": pl.Int64,
}  # fmt: skip


@dataclass(frozen=True)
class Proposals:
    """All that is proposed, numbered from 1 (columns as _SCHEMA), and the names for which nothing can be."""

    rows: pl.DataFrame
    without: tuple[Unknown, ...]


def propose(store: Store) -> Proposals:
    """Propose names, twins of sites and unrecorded replacements, best first within each kind."""
    names, without = propose_names(store)
    rows = [_of_name(p) for p in names] + [_of_twins(t) for t in _new_twins(store)] + _renewals(store)
    numbered = [{"number": k, **row} for k, row in enumerate(rows, start=1)]
    return Proposals(pl.DataFrame(numbered, schema=_SCHEMA), tuple(without))


def _of_name(p: Proposal) -> dict[str, object]:
    return {
        "what": ALIAS, "kind": p.kind, "alias": p.alias, "means": p.means, "site_id": p.site_id,
        "score": round(p.score, 2), "why": p.why, "rows_waiting": p.waiting,
    }  # fmt: skip


def _of_twins(t: Twins) -> dict[str, object]:
    return {
        "what": ALIAS, "kind": "site", "alias": t.alias, "means": t.means, "score": round(t.score, 2),
        "why": t.why, "rows_waiting": 0,
    }  # fmt: skip


def _new_twins(store: Store) -> list[Twins]:
    """Find the sites entered twice on which nobody has decided, in either direction."""
    found = site_twins(store.table("core_sites"), store.frame("site_readings"))
    aliases = store.table("core_aliases").filter(pl.col("kind") == "site")
    decided = {frozenset(pair) for pair in aliases.select("alias", "means").iter_rows()}
    return [t for t in found if t.score >= SHOWN_FROM and frozenset((t.alias, t.means)) not in decided]


def _renewals(store: Store) -> list[dict[str, object]]:
    found = unrecorded_renewals(*(store.table(f"core_{t}") for t in ("readings", "electrodes", "works")))
    rows = found.filter(pl.col("score") >= SHOWN_FROM)
    return [
        {
            "what": RENEWAL, "site_id": r["site_id"], "electrode_id": r["electrode_id"],
            "done_on": _between(r["last_on"], r["first_on"]), "score": round(r["score"], 2), "why": _fell(r),
            "rows_waiting": 0,
        }
        for r in rows.iter_rows(named=True)
    ]  # fmt: skip


def _between(last: date, first: date) -> date:
    """Give a day after the last reading of the old rod, and not after the first of the new one."""
    return last + timedelta(days=((first - last).days + 1) // 2)


def _fell(r: dict[str, float]) -> str:
    told = f"fell from {r['before_ohm']:.3g} to {r['after_ohm']:.3g} ohm between {r['last_on']} and "
    told += f"{r['first_on']} and stayed ({int(r['readings_after'])} readings since); "
    told += f"when new it read {r['new_ohm']:.3g} ohm; "
    moved = r["others_fell_pct"]
    return told + (
        f"the other wells fell by {moved:.0f} %" if moved > 0 else "no other well of the site fell"
    )


def lines(found: Proposals, shown: int | None = None) -> list[str]:
    """Write the proposals for the terminal, then the names for which there is none."""
    told = []
    for row in found.rows.head(shown or found.rows.height).iter_rows(named=True):
        if row["what"] == RENEWAL:
            head = f"{row['electrode_id']} was replaced about {row['done_on']} under its old number"
        else:
            where = f" at {row['site_id']}" if row["site_id"] else ""
            head = f"{row['kind']} '{row['alias']}'{where} means {row['means']}"
        waits = f" ({row['rows_waiting']} rows wait)" if row["rows_waiting"] else ""
        told += [f"{row['number']:>4}  {row['score']:.2f}  {head}{waits}", f"            {row['why']}"]
    if left := found.rows.height - (shown or found.rows.height):
        told.append(f"      and {left} more")
    told += [
        f"      no proposal for {u.kind} '{u.name}'{f' at {u.hint}' if u.hint else ''} "
        f"({u.waiting} rows wait): "
        "correct the rows (`rodfleet refused --write`), or load what is missing"
        for u in found.without
    ]
    return told or ["Every name is known, and no rod looks replaced under its old number."]


def keep_listing(found: Proposals, output: Path) -> None:
    """Keep what was listed, so that a number goes on meaning what the person saw."""
    output.mkdir(parents=True, exist_ok=True)
    found.rows.write_csv(output / LISTED)


def listed_rows(output: Path, numbers: Sequence[int]) -> pl.DataFrame:
    """Give the listed proposals of those numbers; raise RequestError where one was not listed."""
    path = output / LISTED
    if not path.is_file():
        raise RequestError("Nothing has been proposed yet; look at the proposals first (`rodfleet names`).")
    rows = pl.read_csv(path, schema=_SCHEMA)
    if missing := sorted(set(numbers) - set(rows["number"])):
        raise RequestError(f"There is no proposal {missing[0]}; `rodfleet names` lists them.")
    return rows.filter(pl.col("number").is_in(list(numbers)))


def numbers_in(text: str) -> list[int]:
    """Read `1,3,5-8`; raise RequestError where it is something else."""
    numbers: list[int] = []
    for part in text.replace(" ", "").split(","):
        first, _, last = part.partition("-")
        if not first.isdigit() or (last and not last.isdigit()):
            raise RequestError(f"'{text}' does not name proposals; write numbers such as 1,3,5-8.")
        numbers += range(int(first), int(last or first) + 1)
    return numbers


def write_decisions(
    rows: pl.DataFrame, folder: Path, decision: str, by: str | None, extra: bool = False
) -> list[Path]:
    """Write proposals as `aliases.csv` and `works.csv` below a folder, decided `same` or `different`.

    extra: with score, why and the rows that wait beside them, for a person to correct. A replacement that was
    turned down becomes a work `other` of that rod and day, by which it is not proposed again. Raises
    RequestError where a file is there already.
    """
    beside = _BESIDE if extra else ()
    named = rows.filter(pl.col("what") == ALIAS).with_columns(
        decision=pl.lit(decision),
        decided_by=pl.lit(by),
        note=pl.format("proposed with a score of {}", "score"),
    )
    same = decision == "same"
    done = rows.filter(pl.col("what") == RENEWAL).with_columns(
        work=pl.lit("replaced" if same else "other"),
        note=pl.format(
            "{} {} (score {}): {}",
            pl.lit("under its old number; accepted by" if same else "not replaced; turned down by"),
            pl.lit(by or "nobody yet"), "score", "why",
        ),
    )  # fmt: skip
    written = []
    for name, frame, columns in (("aliases", named, ALIAS_COLUMNS), ("works", done, WORK_COLUMNS)):
        if frame.is_empty():
            continue
        path = folder / f"{name}.csv"
        if path.exists():
            raise RequestError(f"{path} is there already; give a new folder.")
        folder.mkdir(parents=True, exist_ok=True)
        frame.select(*columns, *beside).write_csv(path)
        written.append(path)
    return written


def decision_folder(fleet: Path, at: datetime, decision: str) -> Path:
    """Name the folder of the fleet that keeps a decision: the rows that came of it are traced back to it."""
    word = "accepted" if decision == "same" else "turned down"
    return fleet / "names" / f"{at:%Y-%m-%d %H%M%S}" / f"names {word} on {at:%Y-%m-%d}"


def waiting_for_names(store: Store) -> pl.DataFrame:
    """Give the refused rows whose unknown name is an alias by now, with all their columns."""
    from pipeline.refused import open_rows

    aliases = store.table("core_aliases").filter(pl.col("decision").fill_null("same") == "same")
    rows = open_rows(store).filter(pl.col("line").is_not_null())
    if aliases.is_empty() or rows.is_empty():
        return rows.clear()
    name = pl.col("reason").str.extract(r"^(?:site|well|electrode)_id '(.*)' is not known$", 1)
    hint = pl.col("understood").str.json_path_match("$.site_id")
    sites = aliases.filter(pl.col("kind") == "site")["alias"].implode()
    named = name.is_in(aliases["alias"].implode()) | (name.is_not_null() & hint.is_in(sites))
    return rows.filter(named.fill_null(False))


def write_waiting(store: Store, folder: Path, layouts: Sequence[Path]) -> int:
    """Write the refused rows that may come in now below a folder, in their layouts; give their count."""
    rows = waiting_for_names(store)
    if rows.height:
        write_refused(rows, folder, layouts)
    return rows.height
