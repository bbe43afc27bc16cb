"""Ages across offsets and clock changes, by Python's zoneinfo (the IANA time zone database) as the other judge."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_exams import exam

from adapter.catalogue import load_catalogue
from adapter.derive import age_hours, gestation_weeks, made_at
from adapter.exam import Finding, Gestation, Quantity

ITEMS = load_catalogue().items
ZONES = ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC", "Africa/Casablanca"]


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


@pytest.mark.parametrize(
    ("born", "seen", "hours"),
    [
        # Night of the autumn change in Berlin 2026: the clock shows half an hour (arithmetic on instants)
        ("2026-10-25T01:40:00+02:00", "2026-10-25T02:10:00+01:00", "1.5"),
        # Night of the spring change in New York 2026: the clock shows an hour and a half (arithmetic on instants)
        ("2026-03-08T01:50:00-05:00", "2026-03-08T03:20:00-04:00", "0.5"),
        ("2026-05-04T23:30:00+02:00", "2026-05-04T21:30:00Z", "0"),
        ("2026-05-04T00:00:00+00:00", "2026-05-07T00:00:00+00:00", "72"),
    ],
)
def test_hours_are_those_of_instants(born: str, seen: str, hours: str) -> None:
    assert age_hours(exam(born=at(born), started=at(seen)), at(seen)) == Decimal(hours)


@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2038, 1, 1)),
    st.integers(0, 90 * 24 * 3600),
    st.sampled_from(ZONES),
    st.sampled_from(ZONES),
)
def test_any_two_wall_clocks(utc: datetime, seconds: int, born_in: str, seen_in: str) -> None:
    instant = utc.replace(microsecond=0, tzinfo=UTC)
    born = instant.astimezone(ZoneInfo(born_in))
    seen = (instant + timedelta(seconds=seconds)).astimezone(ZoneInfo(seen_in))
    written_born, written_seen = (at(moment.isoformat()) for moment in (born, seen))
    age = age_hours(exam(born=written_born, started=written_seen), written_seen)
    assert abs(age - Decimal(seconds) / 3600) < Decimal("1e-20")


def test_when_a_finding_was_made() -> None:
    born, started = at("2026-05-04T03:20:00+02:00"), at("2026-05-05T03:20:00+02:00")
    one = exam(born=born, started=started)
    apgar = Finding(item="apgar_5_min", not_examined="not_due_yet")
    assert made_at(apgar, ITEMS["apgar_5_min"], one) == born + timedelta(minutes=5)
    rate = Finding(item="heart_rate", value=Quantity(value=Decimal(140), unit="/min"))
    assert made_at(rate, ITEMS["heart_rate"], one) == started
    later = rate.model_copy(update={"observed_at": started + timedelta(minutes=9)})
    assert made_at(later, ITEMS["heart_rate"], one) == started + timedelta(minutes=9)


@pytest.mark.parametrize(("weeks", "days", "total"), [(36, 2, 254), (37, 0, 259), (40, None, 280)])
def test_gestation_in_weeks(weeks: int, days: int | None, total: int) -> None:
    # completed weeks and days (Engle, AAP age terminology, 2004): 36+2 = 254 d, 37+0 = 259 d (arithmetic)
    found = gestation_weeks(exam(gestation=Gestation(weeks=weeks, days=days)))
    assert found is not None
    assert round(found * 7, 12) == total


def test_gestation_not_known() -> None:
    assert gestation_weeks(exam()) is None
