"""Exams drawn with a seed out of what ``every_exam`` makes by rule: the same on every machine. All is invented."""

from __future__ import annotations

from random import Random

from adapter.exam import Exam

SEED = 20261128


def seeded_exams(every: list[Exam], count: int = 300) -> list[Exam]:
    """``count`` exams, each of one of ``every`` with findings of others of the same sex, in another order."""
    random, found = Random(SEED), []
    alone = {"genital_type", "gestational_age_at_birth"}
    for number in range(count):
        base = random.choice([exam for exam in every if not alone & {f.item for f in exam.findings}])
        others = [exam for exam in every if exam.newborn.sex is base.newborn.sex]
        pool = [finding for exam in random.sample(others, min(4, len(others))) for finding in exam.findings]
        chosen, keys = [], set()
        for finding in random.sample(pool, min(len(pool), random.randint(1, 60))):
            key = (finding.item, finding.side, finding.site)
            if key not in keys and finding.item not in alone:
                keys.add(key)
                chosen.append(finding)
        details = base.details.model_copy(update={"id": f"seeded-{number:03}"})
        found.append(base.model_copy(update={"details": details, "findings": tuple(chosen)}))
    return found
