"""Faults of what leaves the house: words that the site's v2 messages cannot carry, codes outside HL7's own tables.

The tables are those of HL7 v2.5.1, chapter 2C: 0074 (diagnostic service section), 0200 (name type) and 0203
(identifier type), the last two with what later versions added (FHIR R4, terminology of v2-0200 and v2-0203); 0190
(address type), 0270 (document type), 0305 (type of a place), and 0399 (country): ISO 3166-1 in three letters.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.places import Step
from adapter.catalogue.v2 import CHARACTER_SETS, LONGEST_CODE
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


TABLE_0190 = _codes_of("B BA BDL BI BR C F H HV L M N O P RH S SH TM V")
TABLE_0270 = _codes_of("AR CD CN DI DS ED HP OP PC PH PN PR SP TS")
TABLE_0305 = _codes_of("C D H N O P S")
TABLE_0399 = _codes_of("""
    ABW AFG AGO AIA ALA ALB AND ARE ARG ARM ASM ATA ATF ATG AUS AUT AZE BDI BEL BEN BES BFA BGD BGR BHR BHS BIH BLM
    BLR BLZ BMU BOL BRA BRB BRN BTN BVT BWA CAF CAN CCK CHE CHL CHN CIV CMR COD COG COK COL COM CPV CRI CUB CUW CXR
    CYM CYP CZE DEU DJI DMA DNK DOM DZA ECU EGY ERI ESH ESP EST ETH FIN FJI FLK FRA FRO FSM GAB GBR GEO GGY GHA GIB
    GIN GLP GMB GNB GNQ GRC GRD GRL GTM GUF GUM GUY HKG HMD HND HRV HTI HUN IDN IMN IND IOT IRL IRN IRQ ISL ISR ITA
    JAM JEY JOR JPN KAZ KEN KGZ KHM KIR KNA KOR KWT LAO LBN LBR LBY LCA LIE LKA LSO LTU LUX LVA MAC MAF MAR MCO MDA
    MDG MDV MEX MHL MKD MLI MLT MMR MNE MNG MNP MOZ MRT MSR MTQ MUS MWI MYS MYT NAM NCL NER NFK NGA NIC NIU NLD NOR
    NPL NRU NZL OMN PAK PAN PCN PER PHL PLW PNG POL PRI PRK PRT PRY PSE PYF QAT REU ROU RUS RWA SAU SDN SEN SGP SGS
    SHN SJM SLB SLE SLV SMR SOM SPM SRB SSD STP SUR SVK SVN SWE SWZ SXM SYC SYR TCA TCD TGO THA TJK TKL TKM TLS TON
    TTO TUN TUR TUV TWN TZA UGA UKR UMI URY USA UZB VAT VCT VEN VGB VIR VNM VUT WLF WSM YEM ZAF ZMB ZWE
""")


def lint_words(catalogue: Catalogue) -> list[Problem]:
    """All faults of the v2 settings that need the words and codes of the catalogue."""
    return [*_codes(catalogue), *_names(catalogue), *_kinds(catalogue), *_systems(catalogue), *_characters(catalogue)]


_NEAR = {"0203": "such as MR, PI, PN, VN", "0399": "a country of ISO 3166-1 in three letters, such as DEU or USA"}


def _codes(catalogue: Catalogue) -> Iterator[Problem]:
    v2, kinds = catalogue.v2, catalogue.settings.identifier_kinds.items()
    given: list[tuple[tuple[Step, ...], str, str | None, str, frozenset[str]]] = [
        (("v2", "name_type"), "name_type", v2.name_type, "0200", TABLE_0200),
        (("v2", "section"), "section", v2.section, "0074", TABLE_0074),
        (("v2", "document", "type"), "document.type", v2.document.type, "0270", TABLE_0270),
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
    given += [
        (("v2", "locations", n, "type"), f"locations.{n}.type", one.type, "0305", TABLE_0305)
        for n, one in enumerate(v2.locations)
    ]
    if (performing := v2.performing_organisation) is not None:
        at = ("v2", "performing_organisation")
        given.append(((*at, "type"), "performing_organisation.type", performing.type, "0203", TABLE_0203))
        if (address := performing.address) is not None:
            where = "performing_organisation.address"
            given.append(((*at, "address", "type"), f"{where}.type", address.type, "0190", TABLE_0190))
            given.append(((*at, "address", "country"), f"{where}.country", address.country, "0399", TABLE_0399))
    for path, where, code, table, codes in given:
        if code is not None and code not in codes:
            near = _NEAR.get(table) or ", ".join(sorted(codes))
            what = f"'{code}' is not in HL7 table {table}"
            yield catalogue.fault(path, "table-code", what, near, where=where)


def _names(catalogue: Catalogue) -> Iterator[Problem]:
    """An organisation that nobody has named, or that has another's identifier; names that are no namespace."""
    v2, settings = catalogue.v2, catalogue.settings
    for name in settings.identifier_systems if v2.namespaces == "names" else ():
        if len(name) > LONGEST_CODE:
            path: tuple[Step, ...] = ("settings", "identifier_systems", name)
            what = f"'{name}' has {len(name)} characters, a namespace (v2.yaml) takes {LONGEST_CODE}"
            remedy = "a shorter name, or namespaces: none"
            yield catalogue.fault(path, "too-long", what, remedy, where=f"identifier_systems.{name}")
    one, where = v2.performing_organisation, "performing_organisation"
    path = ("v2", where)
    if one is not None and one.name is None and settings.organisation is None:
        what = "neither it nor site.yaml (organisation) has a name"
        yield catalogue.fault(path, "missing-part", what, "the name, here or there", where=where)
    if one is not None and one.name is None and one.identifier is not None:
        what, remedy = "has an identifier, and its name stands in site.yaml", "name beside it, or neither"
        yield catalogue.fault(path, "missing-part", what, remedy, where=where, says="identifier")


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
        if not _has(codec, text):
            missing = sorted({character for character in text if not _has(codec, character)})
            shown = ", ".join(f"'{character}' (U+{ord(character):04X})" for character in missing)
            what = f'{shown} in "{text}" is not in {catalogue.v2.character_set}, which v2.yaml asks for'
            remedy = "character_set: UNICODE UTF-8, or other words"
            yield catalogue.fault(
                path, "character-set", what, remedy, where=".".join(path[:-1]).removeprefix("items.")
            )


def _has(codec: str, text: str) -> bool:
    try:
        text.encode(codec)
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
    yield from _words_of_v2(catalogue)


def _words_of_v2(catalogue: Catalogue) -> Iterator[tuple[tuple[str, ...], str]]:
    """Names that stand in every message since v2.yaml puts them there."""
    performing, provider = catalogue.v2.performing_organisation, catalogue.v2.ordering_provider
    if performing is not None:
        site = catalogue.settings.organisation
        if performing.name is None and site is not None:
            yield ("settings", "organisation", "name"), site.name
        of = performing.address.model_dump() if performing.address else {}
        at = ("v2", "performing_organisation")
        yield from (((*at, "name"), name) for name in (performing.name,) if name)
        yield from (((*at, "address", key), words) for key, words in of.items() if words)
    if provider is not None and provider != "examiner":
        for key in ("name", "family", "given", "prefix"):
            if words := getattr(provider, key):
                yield ("v2", "ordering_provider", key), words
