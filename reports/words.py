"""How a number, a state or a verdict is said to a reader: one place, so that every page says it alike."""

from __future__ import annotations

import hashlib
import math
import re
from datetime import date, datetime

# A number and its unit are not parted at the end of a line.
NB = "\u00a0"
UNKNOWN = "not known"
NEVER = "not within 200 years"
# A site's limit is looked for over fewer years than an electrode's crossing.
BEYOND = "later than the forecast looks"

STATES = {
    "steady": ("steady", "no sign of growth beyond season, meter and weather"),
    "drifting": ("drifting", "the resistance grows, and has not reached the threshold yet"),
    "past": (
        "past threshold",
        "the ratio to the resistance when new has more likely than not reached the threshold",
    ),
    "broken": ("broken", "a sudden step up that stays: a clamp, a joint or the rod itself has parted"),
    "too_few_readings": ("too few readings", "what is said here leans on its soil class and its neighbours"),
    "not_understood": (
        "not understood",
        "the readings fit none of the curves: look at them before acting on them",
    ),
}
VERDICTS = {
    "good": ("good", "used as it stands"),
    "doubtful": ("doubtful", "used with less weight; the reason stands beside it"),
    "set_aside": ("set aside", "kept in the record, not used; the reason stands beside it"),
    "censored": ("out of range", "over or under the meter's range: used as a bound, never as a value"),
}
BREAKS = {
    "none": "no break seen",
    "suspected": "break suspected: a step up that another reading has to confirm",
    "confirmed": "break confirmed by a second reading",
}
BASES = {
    "rod_net": "rest of the loop taken off",
    "loop_raw": "reading as it stands, rest of the loop not known",
}
BASELINES = {
    "observed_tied_in": "measured when new, tied in",
    "observed_isolated": "measured when new, the rod alone",
    "inferred": "inferred: nobody measured it when new",
}
GLOSSARY = (
    (
        "ratio",
        "the electrode's resistance as tied in, freed of season, campaign and noise, over the same when new",
    ),
    ("threshold", "the ratio at which the owner calls an electrode past threshold: a policy choice"),
    (
        "chance past threshold",
        "probability that the electrode has reached its threshold by then, given its readings",
    ),
    (
        "crossing age",
        "the electrode's age when it reaches the threshold; the interval holds 90 % of the probability",
    ),
    ("site limit", "the owner's own limit for a site as a whole, stated in words on each site page"),
    (
        "expected benefit",
        "consequence avoided by acting now rather than later, discounted, in the run's currency",
    ),
    (
        "rank interval",
        "the places that the site takes in 80 % of the draws: wide bars mean that the order is not sure",
    ),
    ("tie", "places whose rank intervals reach that of the first place: the readings do not tell them apart"),
    ("season factor", "how far the season moves a reading: 1.10 reads 10 % above the year's mean"),
    ("campaign factor", "how far that visit's weather, meter and crew move a reading"),
    ("corrected reading", "the reading with season and campaign taken off"),
    ("unmeasured rods", "driven rods without a test well: judged by their neighbours and their soil class"),
    ("Turnbull's estimator", "the share past threshold read from the visits alone, with no curve assumed"),
    (
        "replicas",
        "fleets drawn from the fitted model and read at the same visits: beside the data they show misfit",
    ),
    (
        "residual",
        "how far a reading lies from what the electrode's other readings and the site's other wells say",
    ),
    (
        "worth of a reading",
        "what it is expected to add by changing what is best at its site, in the run's currency",
    ),
)
CAUTIONS = (
    "Resistance is not safety: it says nothing by itself about touch or step voltage.",
    "Current in an earthing conductor at or above the owner's danger level: "
    "keep people away and call licensed staff.",
    "Never open an earthing conductor in service.",
    "Local rules and licensed practice come before anything on this page.",
)


def chance(p: float | None) -> str:
    """Say a probability: a small one is never 0 %, a large one never 100 %."""
    if p is None:
        return UNKNOWN
    if p < 0.01:
        return f"under 1{NB}%"
    if p > 0.99:
        return f"over 99{NB}%"
    return f"{100 * p:.0f}{NB}%"


def figure(value: float | None, unit: str = "", digits: int = 3) -> str:
    """Say a value with `digits` significant digits and its unit."""
    if value is None:
        return UNKNOWN
    if math.isinf(value):
        return "without bound"
    if value == 0:
        text = "0"
    else:
        places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
        text = f"{value:,.{min(places, 6)}f}"
    return f"{text}{NB}{unit}" if unit else text


def whole(value: int | None) -> str:
    """Say a count."""
    return UNKNOWN if value is None else f"{value:,}"


def years(value: float | None, never: str = NEVER) -> str:
    """Say a span or an age in years; infinity in the words of `never`."""
    if value is None:
        return UNKNOWN
    if math.isinf(value):
        return never
    text = f"{value:.1f}".removesuffix(".0") if abs(value) < 10 else f"{value:.0f}"
    return f"{text} year" if text == "1" else f"{text} years"


def years_between(low: float | None, high: float | None, never: str = NEVER) -> str:
    """Say an interval of years, with an open end in words."""
    if low is None or high is None:
        return UNKNOWN
    if math.isinf(low):
        return never
    if math.isinf(high):
        return f"from {years(low)} on, late end {never}"
    return f"{years(low).split()[0]} to {years(high)}"


def amount(value: float | None) -> str:
    """Say an amount of money or work: whole from a hundred on, three digits below."""
    if value is None:
        return UNKNOWN
    whole_enough = abs(value) >= 100 or value == round(value)
    return f"{value:,.0f}" if whole_enough else figure(value)


def money(value: float | None, currency: str) -> str:
    """Say an amount with its currency."""
    return amount(value) if value is None else f"{amount(value)} {currency}".rstrip()


def resistance(value: float | None, mark: str | None = None) -> str:
    """Say a reading in ohm; out of range it is a bound, not a value."""
    sign = {"over": "over ", "under": "under "}.get(mark or "", "")
    return sign + figure(value, "Ω")


def count(n: int, one: str, many: str | None = None) -> str:
    """Say `n` things in words that agree with the number."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def day(value: date | datetime | None) -> str:
    """Say a date as ISO 8601."""
    if value is None:
        return UNKNOWN
    return (value.date() if isinstance(value, datetime) else value).isoformat()


def plain(term: str | None) -> str:
    """Say a coded term (`copper_bonded_steel`) in words."""
    return term.replace("_", " ") if term else UNKNOWN


def state(term: str | None) -> str:
    """Say an electrode's state."""
    return STATES.get(term or "", (plain(term), ""))[0]


def verdict(term: str | None) -> str:
    """Say a reading's verdict."""
    return VERDICTS.get(term or "", (plain(term), ""))[0]


_UNUSABLE = re.compile(r"(?i)^(con|prn|aux|nul|com\d|lpt\d)$")


def safe_id(identifier: str) -> str:
    """Give a file name for an id: itself where every file system takes it, else cleaned with a digest added.

    The same id gives the same name in every run; lower case gets the digest so that ids that differ in case
    alone cannot meet on a file system that ignores it.
    """
    if re.fullmatch(r"[A-Z0-9][A-Z0-9_-]{0,59}", identifier) and not _UNUSABLE.match(identifier):
        return identifier
    cleaned = re.sub(r"[^a-z0-9]+", "-", identifier.lower()).strip("-")[:40]
    digest = hashlib.sha256(identifier.encode("utf-8")).hexdigest()[:8]
    return f"{cleaned or 'site'}-{digest}"


def site_page(site_id: str) -> str:
    """Give the page of a site, relative to the run's folder."""
    return f"sites/{safe_id(site_id)}.html"
