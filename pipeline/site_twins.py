"""Sites that look like one site entered twice: renamed, merged, or registered by two offices."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from math import cos, exp, hypot, radians
from typing import Any

import polars as pl

from pipeline.intake.spelling import named_parts, ratio

_Row = dict[str, Any]
NEAR_M = 150.0
FAR_M = 1000.0
FEATURES = ("name_alike", "id_alike", "near", "far", "read_together")
# Fitted by `python -m tests.recovery.twins_found --fit`, in the order of FEATURES.
WEIGHTS = (6.60, 1.57, 11.86, -7.76, -2.85)
CONSTANT = -6.57
_DEGREE_M = 111_320.0  # of latitude; common knowledge: a quarter of the meridian is about 10,002 km
_ALIKE_FROM = 0.7  # of the names, where no coordinates bring two sites together


@dataclass(frozen=True)
class Twins:
    """Two sites that may be one: the alias (read less lately) and the one that stands; score 0 to 1, why."""

    alias: str
    means: str
    score: float
    why: str
    features: tuple[float, ...]


def site_twins(sites: pl.DataFrame, readings: pl.DataFrame) -> list[Twins]:
    """Propose which sites are one, best first.

    sites: site_id, site_name, latitude, longitude, row_id; readings: site_id, first_on, last_on, readings (a
    row for each site that has any).
    """
    rows = {r["site_id"]: r for r in sites.join(readings, on="site_id", how="left").iter_rows(named=True)}
    found = [_twins(rows[a], rows[b]) for a, b in sorted(_pairs(rows))]
    return sorted(found, key=lambda t: (-t.score, t.alias, t.means))


def _pairs(rows: dict[str, _Row]) -> set[tuple[str, str]]:
    """Bring together what lies near each other or begins alike; all pairs would be too many."""
    buckets: dict[object, list[str]] = defaultdict(list)
    for site, row in rows.items():
        parts = named_parts(str(row["site_name"] or site))
        buckets["".join(sorted(parts))].append(site)
        buckets.setdefault(("id", "".join(named_parts(site))), []).append(site)
        for part in parts:
            if len(part) > 3:
                buckets["part", part[:4], len(parts)].append(site)
        for cell in _cells(row):
            buckets[cell].append(site)
    pairs = set()
    for own in buckets.values():
        if len(own) > 200:  # a word that half a fleet bears tells nothing
            continue
        pairs |= {(a, b) for k, a in enumerate(sorted(own)) for b in sorted(own)[k + 1 :]}
    return {p for p in pairs if _worth_a_look(rows[p[0]], rows[p[1]])}


def _cells(row: _Row) -> Iterator[tuple[int, int]]:
    """Give the squares of about 200 m that a site lies in or next to."""
    lat, lon = row["latitude"], row["longitude"]
    if isinstance(lat, float) and isinstance(lon, float):
        x, y = lon * cos(radians(lat)) * _DEGREE_M / 200, lat * _DEGREE_M / 200
        for dx in (-0.5, 0.5):
            for dy in (-0.5, 0.5):
                yield int((x + dx) // 1), int((y + dy) // 1)


def _worth_a_look(a: _Row, b: _Row) -> bool:
    apart = distance_m(a, b)
    return (apart is not None and apart <= NEAR_M) or _alike(a, b) >= _ALIKE_FROM


def _alike(a: _Row, b: _Row) -> float:
    one, other = (named_parts(str(r["site_name"] or r["site_id"])) for r in (a, b))
    straight = ratio("".join(one), "".join(other))
    return max(straight, ratio("".join(sorted(one)), "".join(sorted(other))))


def distance_m(a: _Row, b: _Row) -> float | None:
    """Return how far two sites lie apart, in metres; None where one has no coordinates."""
    if any(r[c] is None for r in (a, b) for c in ("latitude", "longitude")):
        return None
    (la, lo), (lb, lp) = ((float(r["latitude"]), float(r["longitude"])) for r in (a, b))
    return hypot((la - lb) * _DEGREE_M, (lo - lp) * _DEGREE_M * cos(radians((la + lb) / 2)))


def _twins(a: _Row, b: _Row) -> Twins:
    apart, alike = distance_m(a, b), _alike(a, b)
    ids = ratio("".join(named_parts(str(a["site_id"]))), "".join(named_parts(str(b["site_id"]))))
    together = all(r["last_on"] is not None for r in (a, b)) and min(
        str(a["last_on"]), str(b["last_on"])
    ) > max(str(a["first_on"]), str(b["first_on"]))
    near = 0.0 if apart is None else max(0.0, 1.0 - apart / NEAR_M)
    far = float(apart is not None and apart > FAR_M)
    features = (alike, ids, near, far, float(together))
    utility = CONSTANT + sum(w * f for w, f in zip(WEIGHTS, features, strict=True))
    # The one that was read longest stands; of two that were read as long, the one that was entered last.
    older, newer = sorted((a, b), key=lambda r: (str(r["last_on"] or ""), r["readings"] or 0, r["row_id"]))
    why = f"'{a['site_name']}' and '{b['site_name']}', spelt {alike:.0%} alike"
    why += "" if apart is None else f"; {apart:,.0f} m apart"
    why += "; both were read in the same years" if together else "; not read in the same years"
    return Twins(str(older["site_id"]), str(newer["site_id"]), 1.0 / (1.0 + exp(-utility)), why, features)
