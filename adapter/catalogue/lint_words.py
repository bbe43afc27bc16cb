"""Faults of what leaves the house: words that the site's v2 messages cannot carry, codes outside HL7's own tables.

The tables are those of HL7 v2.5.1, chapter 2C: 0074 (diagnostic service section), 0200 (name type) and 0203
(identifier type), the last two with what later versions added (FHIR R4, terminology of v2-0200 and v2-0203).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.places import Step
from adapter.catalogue.v2 import CHARACTER_SETS
from adapter.problems import Problem


def _codes_of(table: str) -> frozenset[str]:
    return frozenset(table.split())


TABLE_0074 = _codes_of("""
    AU BG BLB CH CP CT CTH CUS EC EN HM ICU IMM LAB MB MCB MYC NMR NMS NRS OSL OT OTH OUS PF PHR PHY PT RAD RC RT
    RUS RX SP SR TX VR VUS XRC
""")
TABLE_0200 = _codes_of("""
    A B BAD C D I K L M MSK N NAV NB NOUSE P R REL S T TEMP U
""")
TABLE_0203 = _codes_of("""
    AC ACSN AM AMA AN ANC AND ANON ANT APRN ASID BA BC BCFN BCT BR BRN BSNR CC CONM CY CZ DC DCFN DDS DEA DFN DI DL
    DN DO DP DPM DR DS EI EN ESN FDR FDRFN FI FILL GI GL GN HC IND JHN LACSN LANR LI LN LR MA MB MC MCD MCN MCR MCT
    MD MI MR MRT MS NBSNR NCT NE NH NI NII NIIP NP NPI OBI OD PA PC PCN PE PEN PHC PHE PHO PI PLAC PN PNT PPIN PPN
    PRC PRN PT QA RI RN RPH RR RRI RRP SB SID SL SN SNBSN SNO SP SR SS STN TAX TN TPR TRL U UDI UPIN USID VN VP VS
    WC WCN WP XV XX
""")


def lint_words(catalogue: Catalogue) -> list[Problem]:
    """All faults of the v2 settings that need the words and codes of the catalogue."""
    return [*_codes(catalogue), *_kinds(catalogue), *_systems(catalogue), *_characters(catalogue)]


def _codes(catalogue: Catalogue) -> Iterator[Problem]:
    v2, kinds = catalogue.v2, catalogue.settings.identifier_kinds.items()
    given: list[tuple[tuple[Step, ...], str, str | None, str, frozenset[str]]] = [
        (("v2", "name_type"), "name_type", v2.name_type, "0200", TABLE_0200),
        (("v2", "section"), "section", v2.section, "0074", TABLE_0074),
        *(
            (("v2", "authorities", n, "type"), f"authorities, {one.system}", one.type, "0203", TABLE_0203)
            for n, one in enumerate(v2.authorities)
        ),
        *(
            (
                ("settings", "identifier_kinds", name, "type"),
                f"identifier_kinds.{name}",
                kind.type,
                "0203",
                TABLE_0203,
            )
            for name, kind in kinds
        ),
    ]
    for path, where, code, table, codes in given:
        if code is not None and code not in codes:
            near = ", ".join(sorted(codes)) if len(codes) < 45 else "such as MR, PI, PN, VN"
            what = f"'{code}' is not in HL7 table {table}"
            yield catalogue.fault(path, "table-code", what, near, where=where)


def _kinds(catalogue: Catalogue) -> Iterator[Problem]:
    settings = catalogue.settings
    systems = {*settings.identifier_systems, *settings.identifier_systems.values()}
    for name in settings.identifier_kinds:
        if name not in systems and ":" not in name:
            what = f"'{name}' is neither a name of identifier_systems nor a URI"
            path = ("settings", "identifier_kinds", name)
            yield catalogue.fault(path, "setting", what, "one of both", where=f"identifier_kinds.{name}")


def _systems(catalogue: Catalogue) -> Iterator[Problem]:
    """Two code systems of one name: a receiver could not tell their codes apart."""
    names = dict(catalogue.v2.systems)
    for name, count in Counter(names.values()).items():
        if count > 1:
            same = ", ".join(sorted(system for system, word in names.items() if word == name))
            what = f"{same} are all written as {name}"
            yield catalogue.fault(
                ("v2", "systems"), "same-name", what, "a name for each system", where="systems", says=name
            )
    if catalogue.v2.own_system in names.values():
        what = f"{catalogue.v2.own_system} is the name of the adapter's own codes too"
        remedy = "another own_system, or another name"
        yield catalogue.fault(("v2", "systems"), "same-name", what, remedy, where="systems")


def _characters(catalogue: Catalogue) -> Iterator[Problem]:
    """Words that the character set of the messages does not have: without this, each exam with them is refused."""
    codec = CHARACTER_SETS[catalogue.v2.character_set]
    for path, text in _all_words(catalogue):
        missing = sorted({character for character in text if not _has(codec, character)})
        if missing:
            shown = ", ".join(f"'{character}' (U+{ord(character):04X})" for character in missing)
            what = f'{shown} in "{text}" is not in {catalogue.v2.character_set}, which v2.yaml asks for'
            remedy = "character_set: UNICODE UTF-8, or other words"
            yield catalogue.fault(
                path, "character-set", what, remedy, where=".".join(path[:-1]).removeprefix("items.")
            )


def _has(codec: str, character: str) -> bool:
    try:
        character.encode(codec)
    except UnicodeEncodeError:
        return False
    return True


_ON_PAPER = ("report.", "sheet.", "page.", "check.", "plot.")
"""Sentences that no message carries."""


def _all_words(catalogue: Catalogue) -> Iterator[tuple[tuple[str, ...], str]]:
    """The path of each, and the words that messages may carry."""
    for item in catalogue.items.values():
        at = ("items", item.id)
        yield (*at, "label"), item.label
        for name, some in (("answers", item.answers), ("components", item.components), ("signs", item.signs)):
            entries: Iterable[tuple[str, str]] = ((one.id, one.label) for one in some)
            yield from (((*at, name, own, "label"), label) for own, label in entries)
        for sign in item.signs:
            yield from (((*at, "signs", sign.id, "answers", a.id, "label"), a.label) for a in sign.answers)
    for name in ("methods", "sites", "states", "reasons", "roles", "kinds", "sides", "meanings", "rules"):
        for one in getattr(catalogue, name).values():
            yield (name, one.id, "label"), one.label
    for key, sentence in catalogue.words.sentences.items():
        if not key.startswith(_ON_PAPER):
            of = ("words", catalogue.language, "sentences", *key.split("."))
            yield from ((of, form) for form in ([sentence] if isinstance(sentence, str) else sentence.values()))
    for unit in catalogue.units.values():
        yield ("units", unit.ucum, "label"), unit.label
    yield ("settings", "policy", "name"), catalogue.settings.policy.name
