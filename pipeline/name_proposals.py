"""Proposed meanings of unknown names, each with a score and why; nothing is applied without a person."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.conditional_choice import one_to_one, probabilities
from pipeline.intake.spelling import parts_of
from pipeline.name_evidence import Candidate, Register, counted_together, site_candidates, well_candidates
from pipeline.store import Store
from pipeline.unknown_names import Unknown, known_sites, unknown_names

SHOWN_FROM = 0.2  # of the score: below, a guess would cost a person more than looking it up
# Fitted by `python -m tests.recovery.names_found --fit`, in the order of WELL_FEATURES and SITE_FEATURES;
# NONE is the utility of no candidate at all.
WELL_WEIGHTS = (4.31, 0.55, 4.63, 7.06, -2.22, 2.90, 2.30, 0.39, -8.40, -4.20, -3.22, 0.55, -0.11, 0.46)
WELL_NONE = 2.81
SITE_WEIGHTS = (8.37, 13.75, 0.00, 7.00, -0.81)
SITE_NONE = 12.92


@dataclass(frozen=True)
class Proposal:
    """One proposed alias: what it would mean, score (0 to 1, a probability), why, and the rows that wait."""

    kind: str
    alias: str
    means: str
    site_id: str | None
    score: float
    why: str
    waiting: int


@dataclass(frozen=True)
class Weighed:
    """An unknown name with its candidates, for the fit of the weights."""

    unknown: Unknown
    candidates: tuple[Candidate, ...]


def weighed_names(store: Store) -> list[list[Weighed]]:
    """Weigh the candidates of every unknown name, those of one site together; none that was turned down."""
    register, known = Register(store), known_sites(store)
    turned_down = _turned_down(store)
    groups: dict[tuple[str, str | None], list[Weighed]] = defaultdict(list)
    for unknown in unknown_names(store):
        if unknown.kind == "site":
            found = site_candidates(register, unknown)
        elif _too_short(register, unknown):
            found = []
        else:
            found = well_candidates(register, unknown, known)
        found = [c for c in found if (unknown.kind, unknown.name, c.name) not in turned_down]
        site = unknown.hint or (_likely_site(found) if unknown.kind != "site" else None)
        groups[unknown.kind, site].append(Weighed(unknown, tuple(found)))
    return [_together(group) for group in groups.values()]


def _likely_site(candidates: Sequence[Candidate]) -> str | None:
    """Name the site of which a name without one speaks most likely."""
    if not candidates:
        return None
    scores = _shares("well", candidates)
    by_site: dict[str, float] = defaultdict(float)
    for candidate, score in zip(candidates, scores, strict=True):
        by_site[candidate.site_id] += score
    return max(sorted(by_site), key=lambda site: by_site[site])


def _together(group: list[Weighed]) -> list[Weighed]:
    if group[0].unknown.kind == "site":
        return group
    weighed = counted_together([one.candidates for one in group])
    return [Weighed(one.unknown, tuple(own)) for one, own in zip(group, weighed, strict=True)]


def _turned_down(store: Store) -> set[tuple[str, str, str]]:
    aliases = store.table("core_aliases").filter(pl.col("decision") == "different")
    return set(aliases.select("kind", "alias", "means").iter_rows())


def _too_short(register: Register, unknown: Unknown) -> bool:
    """Say whether a name without a site could stand for a well of any site: a number, a letter, `W3`.

    As an alias it would hold everywhere; such rows are corrected one by one.
    """
    if unknown.kind != "well" or unknown.hint is not None:
        return False
    letters = "".join(p for p in parts_of(unknown.name) if not p.isdigit())
    sites = {s for r in unknown.rows for s in register.company_of(r)}
    return len(letters) < 3 or len(sites) > 3


def propose_names(store: Store) -> tuple[list[Proposal], list[Unknown]]:
    """Propose what unknown names mean, best first; beside them the names without a proposal."""
    proposals, without = [], []
    for group in weighed_names(store):
        for one, scores in zip(group, scores_of(group), strict=True):
            best = max(range(len(scores)), key=lambda k: scores[k], default=None)
            if best is None or scores[best] < SHOWN_FROM:
                without.append(one.unknown)
                continue
            proposals.append(_proposal(one, best, scores))
    return sorted(proposals, key=lambda p: (-p.score, p.kind, p.alias, p.site_id or "")), without


def scores_of(group: Sequence[Weighed]) -> list[list[float]]:
    """Score the candidates of the names of one site: the chance that each is meant, no two names alike.

    Sites may well have several names that nobody knows: there each name is judged by itself.
    """
    each = [_shares(one.unknown.kind, one.candidates) for one in group]
    if not group or group[0].unknown.kind == "site":
        return each
    places = sorted({c.name for one in group for c in one.candidates})
    column = {name: k for k, name in enumerate(places)}
    table = np.zeros((len(group), len(places)))
    for row, (one, shares) in enumerate(zip(group, each, strict=True)):
        for candidate, share in zip(one.candidates, shares, strict=True):
            table[row, column[candidate.name]] += share
    table = one_to_one(table)
    return [[float(table[row, column[c.name]]) for c in one.candidates] for row, one in enumerate(group)]


def _shares(kind: str, candidates: Sequence[Candidate]) -> list[float]:
    if not candidates:
        return []
    features = np.array([c.features for c in candidates])
    weights, none = (SITE_WEIGHTS, SITE_NONE) if kind == "site" else (WELL_WEIGHTS, WELL_NONE)
    return [float(p) for p in probabilities(features, np.array(weights), none)]


def _proposal(one: Weighed, best: int, scores: Sequence[float]) -> Proposal:
    unknown, candidate = one.unknown, one.candidates[best]
    why = candidate.why
    others = [(s, c.name) for k, (s, c) in enumerate(zip(scores, one.candidates, strict=True)) if k != best]
    if others and max(others)[0] >= 0.1:
        score, name = max(others)
        why += f"; next comes {name} ({score:.2f})"
    site = unknown.hint if unknown.kind == "well" else None
    return Proposal(unknown.kind, unknown.name, candidate.name, site, scores[best], why, unknown.waiting)
