"""How often a ward of well newborns rings: ``python -m tests.bench.ward``.

A thousand invented well term infants, three shift assessments a day for three days, drawn with one seed. Rates,
saturation, temperature and weight are drawn by the centiles of the cohorts that the catalogue ships
(``mappings/cohorts.yaml``, each with its source); beyond the outermost centile the curve goes on as it was there, and
two numbers of one infant are drawn apart. What no cohort gives is common practice and said so:

- temperature: of the rectum, by the hour of the cohort that is nearest;
- weight: the loss is proportional to the hour up to 48 hours;
- birth weight: 3.4 kg, standard deviation 0.45;
- a full soft belly after one feed in ten, help to feed in a third on the first two days, yellow face in half after 24
  hours, measured through the skin by the shift that sees it.
"""

from __future__ import annotations

import random
from collections import Counter
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from statistics import NormalDist

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
CATALOGUE = load_catalogue()
COHORTS = {one.id: one.centiles for one in CATALOGUE.cohorts.values()}
TEMPERATURES = (4, 8, 16, 24)
BORN = datetime.fromisoformat("2026-03-01T06:00:00+01:00")


NORMAL = NormalDist()


def _drawn(chance: random.Random, name: str) -> float:
    """A value of a cohort at a random centile, straight between its centiles on the scale of the normal curve."""
    points = [(NORMAL.inv_cdf(float(centile) / 100), float(sum(ends)) / 2) for centile, ends in COHORTS[name].items()]
    z = chance.gauss(0, 1)
    (low, from_), (high, to) = next((pair for pair in pairwise(points) if z < pair[1][0]), (points[-2], points[-1]))
    return from_ + (to - from_) * (z - low) / (high - low)


def _number(item: str, value: float, unit: str, places: int = 0, site: str | None = None) -> Finding:
    digits = Decimal(str(round(value, places))) if places else Decimal(round(value))
    return Finding(item=item, value=Quantity(value=digits, unit=unit), site=site)


def _shift(chance: random.Random, hours: float, birth_weight: float, loses: float) -> list[Finding]:
    nearest = min(TEMPERATURES, key=lambda at: abs(at - hours))
    lost = loses * min(hours, 48) / 48
    yellow = hours >= 24 and chance.random() < 0.5
    helped = hours < 48 and chance.random() < 0.33
    belly = "full_after_feed" if chance.random() < 0.1 else "rounded"
    measured = [_number("transcutaneous_bilirubin", chance.gauss(7, 1.5), "mg/dL", 1, "sternum")] if yellow else []
    return [
        *measured,
        _number("heart_rate", _drawn(chance, "heart_rate_first_day"), "/min"),
        _number("respiratory_rate", _drawn(chance, "respiratory_rate_first_day"), "/min"),
        _number("temperature", _drawn(chance, f"temperature_{nearest}h"), "Cel", 1, "rectum"),
        _number("oxygen_saturation", min(100, _drawn(chance, "saturation_quiet_sleep")), "%", 0, "right_hand"),
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
    chance = random.Random(20260301)
    lines: Counter[Urgency] = Counter()
    causes: Counter[tuple[Urgency, str]] = Counter()
    for infant in range(INFANTS):
        birth_weight, loses = chance.gauss(3400, 450), max(0.0, -_drawn(chance, "weight_loss_vaginal_48h"))
        for shift in range(DAYS * 3):
            exam = _exam(chance, infant, 4 + shift * 8, birth_weight, loses)
            for line in tell_list(exam, computed_findings(exam, CATALOGUE), CATALOGUE):
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
