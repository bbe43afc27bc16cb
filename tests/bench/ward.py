"""How often a ward of well newborns rings: ``python -m tests.bench.ward``.

A thousand invented well term infants, three shift assessments a day for three days, drawn with one seed. The shares
are those that published cohorts report; what no cohort gives is common practice and said so. The tails of the normal
curves that are drawn from are longer than an infant's, so that rates ring more often here than on a ward.

- heart rate: normal about 123, so that 2 % lie under 98 (Tveiten 2021, 953 term infants);
- respiratory rate: median 46, 95th centile 60 from 4 hours (Tveiten 2016);
- temperature: once under 36.5 in 28 %, most of it in the first 8 hours (Tveiten 2024, 951 term infants);
- saturation: median 98, 3rd centile 94 (Bohnhorst 2019, 215 term newborns in quiet sleep);
- weight: median loss about 7 % at 48 to 72 hours, 4 % at 24 (Flaherman 2015, breastfed infants);
- birth weight: 3.4 kg, standard deviation 0.45 (common practice);
- a full soft belly after one feed in ten, help to feed in a third on the first two days, yellow face in half after 24
  hours, measured through the skin by the shift that sees it (common practice).
"""

from __future__ import annotations

import random
from collections import Counter
from datetime import datetime, timedelta
from decimal import Decimal

from adapter.catalogue import load_catalogue
from adapter.derive import computed_findings, tell_list
from adapter.exam import (
    Exam,
    ExamDetails,
    Examiner,
    Finding,
    Gestation,
    Identifier,
    Newborn,
    Quantity,
    Sex,
    Urgency,
)

INFANTS, DAYS = 1000, 3
BORN = datetime.fromisoformat("2026-03-01T06:00:00+01:00")


def _number(item: str, value: float, unit: str, places: int = 0, site: str | None = None) -> Finding:
    digits = Decimal(str(round(value, places))) if places else Decimal(round(value))
    return Finding(item=item, value=Quantity(value=digits, unit=unit), site=site)


def _shift(chance: random.Random, hours: float, birth_weight: float, loses: float) -> list[Finding]:
    cool = 0.18 if hours <= 8 else 0.02
    lost = loses * min(hours, 60) / 60
    yellow = hours >= 24 and chance.random() < 0.5
    helped = hours < 48 and chance.random() < 0.33
    belly = "full_after_feed" if chance.random() < 0.1 else "rounded"
    measured = [_number("transcutaneous_bilirubin", chance.gauss(7, 1.5), "mg/dL", 1, "sternum")] if yellow else []
    return [
        *measured,
        _number("heart_rate", chance.gauss(123, 12), "/min"),
        _number("respiratory_rate", chance.gauss(46, 8.5), "/min"),
        _number("temperature", 36.3 if chance.random() < cool else chance.gauss(36.95, 0.18), "Cel", 1, "axilla"),
        _number("oxygen_saturation", min(100, chance.gauss(98, 1.6)), "%", 0, "right_hand"),
        _number("birth_weight", birth_weight, "g"),
        _number("weight", birth_weight * (1 - lost / 100), "g"),
        Finding(item="jaundice", value="face_or_chest_after_24h" if yellow else "none_seen"),
        Finding(item="feeding_quality", value="needs_help" if helped else "latches_and_swallows"),
        Finding(item="abdomen_shape", value=belly),
    ]


def _exam(chance: random.Random, infant: int, hours: float, birth_weight: float, loses: float) -> Exam:
    details = ExamDetails(
        id=f"ward-{infant}-{hours:.0f}",
        kind="shift",
        started=BORN + timedelta(hours=hours),
        examiners=(Examiner(name="Invented", role="nurse"),),
    )
    newborn = Newborn(
        identifiers=(Identifier(system="mrn", value=str(infant)),),
        sex=Sex.FEMALE if infant % 2 else Sex.MALE,
        birth_time=BORN,
        gestation=Gestation(weeks=39, days=3),
    )
    return Exam(details=details, newborn=newborn, findings=tuple(_shift(chance, hours, birth_weight, loses)))


def main() -> None:
    """Print the lines an infant and day by urgency, and what rings most."""
    catalogue, chance = load_catalogue(), random.Random(20260301)
    lines: Counter[Urgency] = Counter()
    causes: Counter[tuple[Urgency, str]] = Counter()
    for infant in range(INFANTS):
        birth_weight, loses = chance.gauss(3400, 450), max(0.0, chance.gauss(7, 2))
        for shift in range(DAYS * 3):
            exam = _exam(chance, infant, 4 + shift * 8, birth_weight, loses)
            for line in tell_list(exam, computed_findings(exam, catalogue), catalogue):
                if not line.to_do:
                    lines[line.urgency] += 1
                    causes[line.urgency, line.rule] += 1
    for urgency in (Urgency.TELL_NOW, Urgency.TELL_SOON, Urgency.TELL):
        print(f"{urgency.value}: {lines[urgency] / (INFANTS * DAYS):.3f} lines an infant and day")
        for (of, rule), count in causes.most_common():
            if of is urgency and count >= INFANTS * DAYS // 500:
                print(f"    {count / (INFANTS * DAYS):.3f}  {rule}")


if __name__ == "__main__":
    main()
