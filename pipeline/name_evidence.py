"""What speaks for each candidate of an unknown name: spelling, company, values, dates; numbers and words."""

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from pipeline.intake.spelling import (
    SiteWords,
    Spelt,
    named_parts,
    near_number,
    parts_of,
    plain,
    ratio,
    spelt_at,
)
from pipeline.store import Store
from pipeline.unknown_names import Row, Unknown

WELL_FEATURES = (
    "number_same", "number_other", "number_near", "letter", "alike", "says_site", "company", "value",
    "read_that_day", "outside_life", "own_form", "numbers_fit", "numbers_miss", "counted_otherwise",
)  # fmt: skip
_VALUE, _SAME, _FIT, _MISS, _OTHERWISE = (
    WELL_FEATURES.index(f)
    for f in ("value", "number_same", "numbers_fit", "numbers_miss", "counted_otherwise")
)
SITE_FEATURES = ("alike_id", "alike_name", "initials", "number_same", "number_other")
_SPREAD_LOG = 0.2  # of a reading about its well's level; a t with 4 degrees of freedom
_FAR = 3.0  # one reading can't say more than this
_SITES_LOOKED_AT = 6  # of a name without a site: those that keep it company


@dataclass(frozen=True)
class History:
    """The accepted readings of a well or an electrode: days (ordinal, ascending) and ln ohm."""

    days: np.ndarray
    logs: np.ndarray


@dataclass(frozen=True)
class Place:
    """A well or an electrode that a name may mean."""

    name: str
    site_id: str
    well_id: str | None
    lives: tuple[tuple[date, date | None], ...]


@dataclass(frozen=True)
class Candidate:
    """One candidate with its features (WELL_FEATURES or SITE_FEATURES) and the reasons in words."""

    name: str
    site_id: str
    features: tuple[float, ...]
    why: str
    numbers: tuple[int | None, int | None] = (None, None)
    """The number that the unknown name says, and the candidate's own."""


class Register:
    """Hold what is known, laid out to be looked up by site, by way of naming, by file and day."""

    def __init__(self, store: Store) -> None:
        sites = store.table("core_sites").sort("site_id")
        self.sites = dict(sites.select("site_id", "site_name").iter_rows())
        self.words = {s: SiteWords.of(s, name or s) for s, name in self.sites.items()}
        self.sites_by_way: dict[tuple[str, ...], list[str]] = defaultdict(list)
        for site, words in self.words.items():
            for way in words.ways:
                self.sites_by_way[way].append(site)
        electrodes = store.table("core_electrodes").sort("electrode_id")
        self.wells = _places(electrodes.drop_nulls("well_id"), "well_id")
        self.electrodes = _places(electrodes, "electrode_id")
        readings = store.table("core_readings").sort("taken_at", "row_id")
        self._readings = readings.with_columns(day=pl.col("taken_at").dt.date())
        self._histories: dict[tuple[str, str], History] = {}
        self._by = {
            kind: {str(k[0]): g for k, g in self._plain_readings().group_by(f"{kind}_id")}
            for kind in ("well", "electrode")
        }
        self._company = self._companies()

    def _plain_readings(self) -> pl.DataFrame:
        read = pl.col("resistance_ohm") > 0
        kept = self._readings.filter(read & pl.col("range_mark").is_null())
        return kept.select("well_id", "electrode_id", "day", log=pl.col("resistance_ohm").log())

    def _companies(self) -> dict[tuple[str, date, str], Counter[str]]:
        crew = pl.col("crew").fill_null("")
        counted = self._readings.group_by("file", "day", crew, "site_id").len()
        company: dict[tuple[str, date, str], Counter[str]] = defaultdict(Counter)
        for file, day, who, site, n in counted.iter_rows():
            company[file, day, who][site] += n
        return company

    def company_of(self, row: Row) -> Counter[str]:
        """Count the sites of the accepted readings that came in the same file, of the same crew and day."""
        if row.day is None:
            return Counter()
        return self._company.get((row.file, row.day, row.crew or ""), Counter())

    def history(self, kind: str, name: str) -> History:
        """Give the accepted readings of a well or an electrode, in order of time."""
        if (kind, name) not in self._histories:
            rows = self._by[kind].get(name)
            days = [] if rows is None else [d.toordinal() for d in rows["day"]]
            logs = [] if rows is None else rows["log"].to_list()
            self._histories[kind, name] = History(np.array(days, dtype=float), np.array(logs, dtype=float))
        return self._histories[kind, name]


def _places(electrodes: pl.DataFrame, by: str) -> dict[str, list[Place]]:
    """List the places of each site, with the time that each one's electrodes stood."""
    found: dict[str, list[Place]] = defaultdict(list)
    columns = ("site_id", pl.col(by).alias("_name"), "well_id", "installed_on", "retired_on")
    lives: dict[tuple[str, str, str | None], list[tuple[date, date | None]]] = defaultdict(list)
    for site, name, well, installed, retired in electrodes.select(columns).iter_rows():
        lives[site, name, well].append((installed, retired))
    for (site, name, well), spans in lives.items():
        found[site].append(Place(name, site, well, tuple(spans)))
    return found


def site_candidates(register: Register, unknown: Unknown) -> list[Candidate]:
    """Weigh every site whose id or name shares a part or most letters with an unknown site's name."""
    parts = named_parts(unknown.name)
    numbers = [p for p in parts if p.isdigit()]
    together, found = "".join(parts), []
    for site, name in register.sites.items():
        own, named = named_parts(site), named_parts(name or site)
        alike_id = ratio(together, "".join(own))
        alike_name = max(
            ratio(together, "".join(named)), ratio("".join(sorted(parts)), "".join(sorted(named)))
        )
        if max(alike_id, alike_name) < 0.45 and not set(parts) & (set(own) | set(named)):
            continue
        numbers_own = [p for p in (*own, *named) if p.isdigit()]
        same = bool(numbers) and all(n in numbers_own for n in numbers)
        initials = "".join(p[0] for p in named)
        letters = "".join(p for p in parts if not p.isdigit())
        stands = float(len(letters) > 1 and letters == initials[: len(letters)] and len(initials) > 1)
        features = (
            alike_id, alike_name, stands, float(same), float(bool(numbers and numbers_own) and not same)
        )  # fmt: skip
        alike = f"spelt {alike_id:.0%} like the id, {alike_name:.0%} like the name"
        found.append(Candidate(site, site, features, f"'{unknown.name}': {alike} of {site} ({name})"))
    return found


def well_candidates(register: Register, unknown: Unknown, known: dict[str, str]) -> list[Candidate]:
    """Weigh the wells (or electrodes) of the sites that an unknown name may speak of."""
    company: Counter[str] = Counter()
    for row in unknown.rows:
        company.update(set(register.company_of(row)))
    hinted = known.get(unknown.hint or "")
    sites = [hinted] if hinted else _sites_for(register, unknown.name, company)
    places = register.wells if unknown.kind == "well" else register.electrodes
    found = []
    for site in sites:
        spelt = spelt_at(unknown.name, register.words[site])
        background = _background(register, unknown.kind, places.get(site, []))
        for place in places.get(site, []):
            one = _candidate(register, unknown, place, spelt, background, company[site], bool(hinted))
            if one is not None:
                found.append(one)
    return found


def _sites_for(register: Register, name: str, company: Counter[str]) -> list[str]:
    parts = parts_of(name)
    said: dict[str, None] = {}
    for size in range(len(parts), 0, -1):
        for k in range(len(parts) - size + 1):
            way = parts[k : k + size]
            # A number alone, or a letter, names no site.
            if len("".join(way)) > 1 and not (size == 1 and way[0].isdigit()):
                said.update(dict.fromkeys(register.sites_by_way.get(way, ())))
    near = [site for site, _ in company.most_common(_SITES_LOOKED_AT)]
    return list(dict.fromkeys([*near, *list(said)[:_SITES_LOOKED_AT]]))


def _background(register: Register, kind: str, places: Iterable[Place]) -> tuple[float, float]:
    """Give mean and spread of the site's readings: what a reading of any of its wells looks like."""
    logs = [register.history(kind, p.name).logs for p in places]
    together = np.concatenate(logs) if logs else np.zeros(0)
    if len(together) < 3:
        return 3.0, 1.0
    return float(np.median(together)), max(float(np.std(together)), 0.3)


def _candidate(
    register: Register,
    unknown: Unknown,
    place: Place,
    spelt: Spelt,
    background: tuple[float, float],
    in_company: int,
    hinted: bool,
) -> Candidate | None:
    """Weigh one place; None where it did not stand on any of the days."""
    dated = [r for r in unknown.rows if r.day is not None]
    inside = [r for r in dated if _stood(place, r.day)]
    if dated and not inside:
        return None
    if unknown.kind == "electrode" and any(r.well_id not in (None, place.well_id) for r in unknown.rows):
        return None
    own = spelt_at(place.well_id or place.name, register.words[place.site_id])
    number, theirs = spelt.number, own.number
    same = number is not None and number == theirs
    letter = spelt.letter if spelt.letter and theirs == str(spelt.letter) else None
    whole = ratio("".join(parts_of(unknown.name)), "".join(parts_of(place.name)))
    alike = max(ratio(plain(spelt.rest), plain(own.rest)), whole)
    history = register.history(unknown.kind, place.name)
    value = _value(history, dated, background)
    read_days = {r.day.toordinal() for r in dated if r.day} & set(history.days.astype(int).tolist())
    rows = max(len(unknown.rows), 1)
    features = (
        float(same), float(number is not None and not same), near_number(number, theirs),
        float(bool(letter)), alike, float(spelt.says_site or hinted), in_company / rows, value,
        len(read_days) / max(len({r.day for r in dated}), 1), 1.0 - len(inside) / max(len(dated), 1),
        float(_form(unknown.name) == _form(place.name)), 0.0, 0.0, 0.0,
    )  # fmt: skip
    why = _words(unknown, place, features, hinted, len(read_days), len(history.days))
    numbers = (_whole(number), _whole(theirs))
    return Candidate(place.name, place.site_id, features, why, numbers)


def _stood(place: Place, day: date | None) -> bool:
    return day is not None and any(a <= day and (b is None or day <= b) for a, b in place.lives)


def _form(name: str) -> str:
    """Give a name with its digits blotted out: a crew that keeps the register's form means what it writes."""
    return re.sub(r"[0-9]", "0", name)


def _whole(number: str | None) -> int | None:
    return int(number) if number and number.isdigit() and len(number) < 6 else None


def counted_together(group: Sequence[Sequence[Candidate]]) -> list[list[Candidate]]:
    """Look at the names of one site together: are the crew's numbers ours, or does it count otherwise?

    Adds numbers_fit and numbers_miss (how well or ill the numbers as they stand fit, summed over the
    names, to those of the same number) and counted_otherwise (how much better another count does, to
    those it leads to).
    """
    counts = _counts([c for candidates in group for c in candidates])
    fits = {name: _fit_of(group, count) for name, count in counts.items()}
    same = fits.get("same", 0.0)
    best = max(fits, key=lambda name: fits[name], default="same")
    better = min(max(fits.get(best, 0.0) - same, 0.0), _MOST)
    return [
        [
            _with(c, np.clip(same, -_MOST, _MOST), better if best != "same" and counts[best](c) else 0.0)
            for c in own
        ]
        for own in group
    ]


_MOST = 8.0


def _counts(candidates: Sequence[Candidate]) -> dict[str, Callable[[Candidate], bool]]:
    """Give the ways in which a crew may count: as the register, from another number, from the other end."""
    highest = max((c.numbers[1] or 0 for c in candidates), default=0)

    def shifted(by: int) -> Callable[[Candidate], bool]:
        return lambda c: None not in c.numbers and c.numbers[1] == c.numbers[0] + by  # type: ignore[operator]

    def turned(c: Candidate) -> bool:
        return None not in c.numbers and c.numbers[0] + c.numbers[1] == highest + 1  # type: ignore[operator]

    shifts = {f"by {k}": shifted(k) for k in (-3, -2, -1, 1, 2, 3)}
    return {"same": shifted(0), **shifts, "turned": turned}


def _fit_of(group: Sequence[Sequence[Candidate]], count: Callable[[Candidate], bool]) -> float:
    """Sum what the values say for the candidates that a count leads to; to lead nowhere counts against it."""
    numbered = [own for own in group if any(c.numbers[0] is not None for c in own)]
    gains = [max((c.features[_VALUE] for c in own if count(c)), default=-1.0) for own in numbered]
    return float(np.sum(gains) / np.sqrt(len(gains))) if gains else 0.0


def _with(candidate: Candidate, same: float, better: float) -> Candidate:
    features = list(candidate.features)
    if features[_SAME]:
        features[_FIT], features[_MISS] = max(same, 0.0), max(-same, 0.0)
    features[_OTHERWISE] = better
    why = candidate.why
    if better > 1.0:
        why += "; the readings of this crew's other names fit if it counts from another well or the other end"
    elif features[_SAME] and same < -2.0:
        why += "; but with the numbers as they stand the readings of this crew's names do not fit"
    return replace(candidate, features=tuple(features), why=why)


def _value(history: History, rows: list[Row], background: tuple[float, float]) -> float:
    """Give how much better a candidate's own history foretells the readings than its site as a whole does.

    Mean difference of the log densities, each held to _FAR, times the root of the count (six at most).
    """
    read = [(r.day.toordinal(), np.log(r.ohm)) for r in rows if r.ohm and r.day]
    if not read or not len(history.days):
        return 0.0
    gains = []
    for day, log in read:
        near = np.argsort(np.abs(history.days - day), kind="stable")[:3]
        z = (log - np.median(history.logs[near])) / _SPREAD_LOG
        own = -2.5 * np.log1p(z * z / 4.0) - np.log(_SPREAD_LOG * 2.0 * 4.0 / 3.0)  # t with 4 degrees
        b = (log - background[0]) / background[1]
        site = -0.5 * b * b - np.log(background[1] * np.sqrt(2.0 * np.pi))
        gains.append(np.clip(own - site, -_FAR, _FAR))
    return float(np.mean(gains) * np.sqrt(min(len(gains), 6)))


def _words(
    unknown: Unknown, place: Place, features: tuple[float, ...], hinted: bool, read_days: int, readings: int
) -> str:
    f = dict(zip(WELL_FEATURES, features, strict=True))
    said = [f"spelt {f['alike']:.0%} alike"]
    if f["number_same"]:
        said.append("the same number")
    elif f["number_near"] > 0.5:
        said.append("its number but for a slip")
    elif f["number_other"]:
        said.append("another number")
    if f["letter"]:
        said.append("the letter of its number")
    if hinted:
        said.append(f"the row names site {unknown.hint}")
    elif f["says_site"]:
        said.append(f"the name says {place.site_id}")
    if f["company"] > 0:
        said.append(
            f"{f['company']:.0%} of the rows came with readings of {place.site_id} of that crew and day"
        )
    if readings and any(r.ohm for r in unknown.rows):
        fits = "fit" if f["value"] > 0.3 else "do not fit" if f["value"] < -0.3 else "neither fit nor miss"
        said.append(f"the values {fits} its {readings} readings")
    if read_days:
        said.append(f"but it was read itself on {read_days} of those days")
    if f["outside_life"] > 0:
        said.append(f"but it did not stand on {f['outside_life']:.0%} of the days")
    return "; ".join(said)
