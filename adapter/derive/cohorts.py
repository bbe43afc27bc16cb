"""How many of a hundred well newborns would ring each line that the catalogue tells, by what cohorts published.

Between two published centiles a share is read off the straight line between them on the scale of the normal curve;
beyond the outermost ones nothing is invented: there are at most as many as lie beyond it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from statistics import NormalDist
from typing import NamedTuple

from adapter.catalogue import Catalogue, Cohort, Item, Range
from adapter.derive.bands import Band, bands
from adapter.derive.tell import range_line
from adapter.exam import Exam, ExamDetails, Examiner, Finding, Gestation, Identifier, Newborn, Quantity, Sex, Urgency

_BORN = datetime(2000, 1, 1, tzinfo=UTC)
_NORMAL = NormalDist()


class Ring(NamedTuple):
    """Of a hundred of one cohort, at least and at most so many ring a line; each by itself lies between the two."""

    cohort: Cohort
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class ToldLine:
    """One line that the catalogue can tell of a newborn: a rule, a range or an answer, as the tell list names it.

    ``of`` are the words of what is told, ``rings`` what each cohort says of it; none where no cohort is known.
    ``band`` is the range that tells, ``item`` the item whose range or answer it is.
    """

    id: str
    urgency: Urgency
    of: str
    source: str
    rings: tuple[Ring, ...]
    band: Range | None = None
    item: str = ""


def told_lines(catalogue: Catalogue) -> Iterator[ToldLine]:
    """Every rule that is on, then every range and every answer that is told, in the order of the exam."""
    known = list(catalogue.cohorts.values())
    for rule in catalogue.rules.values():
        if rule.on:
            rings = tuple(_of_share(one, one.share) for one in known if one.rule == rule.id and one.share)
            yield ToldLine(rule.id, rule.urgency, rule.label, rule.source, rings)
    for item in catalogue.items.values():
        if item.on:
            yield from told_lines_of(item, catalogue)


def told_lines_of(item: Item, catalogue: Catalogue) -> Iterator[ToldLine]:
    """The ranges and answers of one item that are told."""
    known = [one for one in catalogue.cohorts.values() if one.item == item.id]
    for band in item.ranges:
        if band.urgency is not Urgency.NONE:
            part = item.component(band.component or "")
            words = f"{item.label}, {part.inline}" if part else item.label
            rings = tuple(ring for one in known if (ring := _rings(one, band, item, catalogue)))
            yield ToldLine(range_line(item, band), band.urgency, words, band.source, rings, band, item.id)
    for answer in item.answers:
        if answer.on and answer.urgency is not Urgency.NONE:
            rings = tuple(_of_share(one, one.share) for one in known if answer.id in one.answers and one.share)
            words = f"{item.label}: {answer.label}"
            yield ToldLine(f"{item.id}.{answer.id}", answer.urgency, words, item.sources[0], rings, item=item.id)


def _of_share(one: Cohort, share: tuple[Decimal, Decimal]) -> Ring:
    """A share as published; of several answers counted together, it is the most that each can have."""
    return Ring(one, 0.0 if len(one.answers) > 1 else float(share[0]), float(share[1]))


def _rings(one: Cohort, band: Range, item: Item, catalogue: Catalogue) -> Ring | None:
    """How many of a cohort the range tells; None where it never decides for such an infant, or where no more is known
    than that it may be half of them or more."""
    if not one.centiles or one.component != band.component:
        return None
    found = []
    for hours in one.hours:
        finding, exam = _infant(one, item, hours)
        applying = [b for b in bands(catalogue).get((item.id, one.component), ()) if b.applies(finding, item, exam)]
        stretches = _stretches(applying, band)
        if stretches:
            curves = [{c: ends[n] for c, ends in one.centiles.items()} for n in (0, 1)]
            found += [_between(curve, low, high) for curve in curves for low, high in stretches]
    least, most = min((least for least, _ in found), default=0.0), max((most for _, most in found), default=100.0)
    return None if least == 0 and most >= 50 else Ring(one, least, most)


def _infant(one: Cohort, item: Item, hours: Decimal) -> tuple[Finding, Exam]:
    """A well infant of the cohort at an age, and a finding of it: what the conditions of ranges ask of."""
    at = _BORN + timedelta(seconds=int(hours * 3600))
    newborn = Newborn(
        identifiers=(Identifier(system="urn:cohort", value=one.id),),
        birth_time=_BORN,
        sex=Sex(one.sex) if one.sex else Sex.UNKNOWN,
        gestation=Gestation(weeks=one.weeks, days=0),
    )
    examiners = (Examiner(name=one.id, role="other"),)
    exam = Exam(details=ExamDetails(id=one.id, kind="unknown", started=at, examiners=examiners), newborn=newborn)
    value = Quantity(value=one.centiles[next(iter(one.centiles))][0], unit=item.unit or "1")
    site = one.site or (item.sites[0] if item.site_required else None)
    return Finding(item=item.id, value=value, site=site, state=one.state, observed_at=at), exam


def _stretches(applying: list[Band], band: Range) -> list[tuple[Decimal | None, Decimal | None]]:
    """Where on the line of numbers the range is the first that holds: from and to, None for no end."""
    ends = sorted({end for one in applying for end in one.ends})
    if not ends:
        return []
    edges: list[Decimal | None] = [None, *ends, None]
    inner = [ends[0] - 1, *((low + high) / 2 for low, high in pairwise(ends)), ends[-1] + 1]
    found: list[tuple[Decimal | None, Decimal | None]] = []
    for (low, high), middle in zip(pairwise(edges), inner, strict=True):
        first = next((one for one in applying if one.holds(middle)), None)
        if first is None or first.range is not band:
            continue
        if found and found[-1][1] == low:
            found[-1] = (found[-1][0], high)
        else:
            found.append((low, high))
    return found


def _between(curve: Mapping[Decimal, Decimal], low: Decimal | None, high: Decimal | None) -> tuple[float, float]:
    """At least and at most how many of a hundred lie from one value to the other."""
    under_low = (0.0, 0.0) if low is None else share_below(curve, low)
    under_high = (100.0, 100.0) if high is None else share_below(curve, high)
    return max(0.0, under_high[0] - under_low[1]), under_high[1] - under_low[0]


def share_below(curve: Mapping[Decimal, Decimal], value: Decimal) -> tuple[float, float]:
    """At least and at most how many of a hundred lie below a value, by published values at centiles."""
    points = [(float(centile), float(at)) for centile, at in curve.items()]
    number = float(value)
    for centile, at in points:
        if at == number:
            return centile, centile
    if number < points[0][1]:
        return 0.0, points[0][0]
    if number > points[-1][1]:
        return points[-1][0], 100.0
    (low, from_), (high, to) = next(pair for pair in pairwise(points) if pair[0][1] < number < pair[1][1])
    if low <= 0 or high >= 100:
        return low, high
    z_low, z_high = _NORMAL.inv_cdf(low / 100), _NORMAL.inv_cdf(high / 100)
    share = 100 * _NORMAL.cdf(z_low + (z_high - z_low) * (number - from_) / (to - from_))
    return share, share
