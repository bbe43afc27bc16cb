"""MSH and SFT, the newborn (PID), the mother (NK1), the visit (PV1)."""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256

from adapter import SOFTWARE, __version__
from adapter.catalogue import Catalogue, V2Settings
from adapter.catalogue.v2 import Location
from adapter.exam import Exam
from adapter.v2.er7 import ENCODING, joined, moment, segment, text
from adapter.v2.tables import SEXES
from adapter.write.v2.coded import Coder, designator, xpn

_CLASSES = {"IMP": "I", "AMB": "O", "OBSENC": "O"}
"""Table 0004 by the v3 ActCode of the encounter (map PatientClass[EncounterClass] reversed)."""

_ASKED = {"original": ("", ""), "accept": ("AL", "NE"), "accept-and-application": ("AL", "AL")}
"""MSH-15 and MSH-16 (table 0155): both empty is original mode (section 2.9.2)."""


def message_header(exam: Exam, catalogue: Catalogue, kind: str = "ORU^R01^ORU_R01") -> str:
    """MSH of a message of a kind (MSH-9), without its control id; its time is that of the record, so that the same
    exam gives the same bytes."""
    settings = catalogue.v2
    accept, application = _ASKED[settings.acknowledgement]
    fields = {
        2: ENCODING,
        3: designator(settings.sending_application),
        4: designator(settings.sending_facility),
        5: designator(settings.receiving_application),
        6: designator(settings.receiving_facility),
        7: moment(exam.details.ended or exam.details.started),
        9: kind,
        11: settings.processing_id,
        12: "2.5.1",
        15: accept,
        16: application,
        18: "" if settings.character_set == "ASCII" else settings.character_set,
        21: joined([joined([one.name, designator(one.authority)]) for one in settings.message_profiles], "~"),
    }
    # MSH-1 is the separator itself.
    return segment("MSH", {number - 1: value for number, value in fields.items()})


def with_control_id(segments: list[str]) -> list[str]:
    """The message with its control id (MSH-10, 20 characters): made from all else, so that a message that is sent
    again can be recognised, and one that says anything else has another."""
    number = sha256("\r".join(segments).encode()).hexdigest()[:20].upper()
    fields = segments[0].split("|")
    fields[9] = number
    return ["|".join(fields), *segments[1:]]


def people(exam: Exam, catalogue: Catalogue, coder: Coder, *, of_event: bool = False) -> Iterator[str]:
    """SFT, PID, NK1 and PV1 in their order; in a message of an event EVN stands before PID, and no NK1."""
    settings = catalogue.v2
    if settings.software:
        yield segment("SFT", {1: SOFTWARE, 2: __version__, 3: SOFTWARE, 4: text(catalogue.settings.version)})
    if of_event:
        yield segment("EVN", {2: moment(exam.details.made)})
    newborn = exam.newborn
    mother, order = newborn.mother, newborn.birth_order
    yield segment(
        "PID",
        {
            1: "1",
            3: coder.identifiers(newborn.identifiers, "PI"),
            5: xpn(newborn, settings.name_type),
            7: moment(newborn.birth_time),
            8: SEXES[newborn.sex],
            21: coder.identifiers(mother.identifiers, "PI") if mother else "",
            24: "Y" if order else "",
            25: str(order.order) if order else "",
        },
    )
    if mother is not None and settings.next_of_kin and not of_event:
        yield segment(
            "NK1",
            {
                1: "1",
                2: xpn(mother, ""),
                3: "MTH^Mother^HL70063",
                33: coder.identifiers(mother.identifiers, "PI"),
            },
        )
    details = exam.details
    yield segment(
        "PV1",
        {
            1: "1",
            2: _CLASSES.get(catalogue.kinds[details.kind].encounter_class, "U"),
            3: _location(details.place, settings),
            19: coder.identifier(details.encounter, "VN") if details.encounter else "",
        },
    )


def _location(place: str | None, settings: V2Settings) -> str:
    """Where the newborn is, as PL: in the receiver's codes, and in the record's words as description."""
    one = settings.location(place) or Location()
    codes = [
        one.point_of_care,
        one.room,
        one.bed,
        designator(one.facility, "&"),
        "",
        one.type,
        one.building,
        one.floor,
    ]
    return joined([*(code or "" for code in codes), text(place or "")])
