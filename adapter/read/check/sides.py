"""Side and site: an infant's left is never lost, and never invented."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Sides
from adapter.exam import Side
from adapter.problems import Problem
from adapter.read.check.subject import Placed, Subject
from adapter.read.wording import listed, one_of, shown


def check_sides(subject: Subject) -> Iterator[Problem]:
    """Sides given where there is none, missing where there must be one; sites unknown, not allowed, missing."""
    for placed in subject.findings:
        problems = list(_site(placed, subject))
        yield from problems
        if not problems:
            yield from _side(placed, subject)


def _site(placed: Placed, subject: Subject) -> Iterator[Problem]:
    site, item = placed.finding.site, placed.item
    known = subject.catalogue.sites
    if site is None:
        if item.site_required and placed.finding.not_examined is None:
            yield placed.error(
                "site",
                "site-missing",
                f"{item.id} needs the place it was taken",
                f"site: one of {listed(item.sites)}",
            )
    elif site not in known:
        yield placed.error(
            "site", "unknown-site", f"no site {shown(site)} is known", one_of(site, item.sites or known)
        )
    elif site not in item.sites:
        remedy = one_of(site, item.sites) if item.sites else "no site; say the place in note"
        yield placed.error("site", "site-not-allowed", f"{item.id} is not taken at {site}", remedy)
    elif known[site].side is not None and placed.finding.side is not None:
        yield placed.error(
            "side",
            "side-twice",
            f"site {site} has its side in its name",
            "leave side out",
        )


def _side(placed: Placed, subject: Subject) -> Iterator[Problem]:
    side, item = placed.finding.side, placed.item
    match item.sides:
        case Sides.NONE:
            if side is not None:
                yield placed.error(
                    "side",
                    "side-on-midline",
                    f"{item.id} has no side",
                    "leave side out" + ("; name the place in site" if item.sites else "; say it in note"),
                )
        case Sides.EACH:
            if subject.side(placed) is None:
                yield placed.error(
                    "side",
                    "side-missing",
                    f"{item.id} is examined on each side",
                    "side left or side right, one finding each",
                )
            elif side is Side.BOTH:
                yield placed.error(
                    "side", "side-both", f"{item.id} is examined on each side", "two findings, one left and one right"
                )
        case Sides.OPTIONAL:
            if side is Side.BOTH:
                yield placed.error(
                    "side", "side-both", f"{item.id} takes one side a finding", "two findings, one left and one right"
                )
        case Sides.PAIR:
            if side in (Side.LEFT, Side.RIGHT):
                yield placed.error(
                    "side",
                    "one-side-of-pair",
                    f"{item.id} is about both sides together",
                    "leave side out, or side both; say in note which side differs",
                )
