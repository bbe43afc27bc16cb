"""A new site's folder: what is known of the site as settings, each with a word on what it is, and nothing else."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from adapter.catalogue.lint import lint
from adapter.catalogue.load import CatalogueError, load_catalogue
from adapter.files.whole import write
from adapter.problems import AdapterError, Problem

_LETTER = ("US", "CA", "MX", "PH", "CL", "CO")
"""Countries that print on letter paper (common practice)."""


class NotStarted(AdapterError):
    """A folder that was not written: files are there already, or what was given cannot be."""


@dataclass(frozen=True, slots=True)
class NewSite:
    """What is known of a site; None is not said.

    ``identifiers`` is the system of the newborns' numbers, an absolute URI; ``identifier_type`` a code of HL7 table
    0203; ``organisation_id`` the organisation's own identifier, written as a FHIR token is: ``system|value``;
    ``country`` ISO 3166; ``language`` BCP 47.
    """

    organisation: str | None = None
    organisation_id: str | None = None
    country: str | None = None
    language: str | None = None
    time_zone: str | None = None
    identifiers: str | None = None
    identifier_type: str = "MR"
    assigner: str | None = None
    sender: str | None = None
    receiver: str | None = None


def files_of(site: NewSite) -> dict[str, str]:
    """The files of the folder by name."""
    found = {"site.yaml": _settings(site), "v2.yaml": _messages(site)}
    if site.language and not site.language.startswith("en"):
        found[f"labels/{site.language}.yaml"] = _labels(site.language)
    return found


def start_site(folder: Path, site: NewSite) -> list[Path]:
    """Write the folder, checked first; the paths. Raises :class:`NotStarted`, and then nothing was written."""
    files = files_of(site)
    there = [name for name in files if (folder / name).exists()]
    if there:
        raise NotStarted(f"{', '.join(there)} stands in {folder} already; nothing was written. Name another folder.")
    with TemporaryDirectory() as trial:
        _write(Path(trial), files)
        problems = _problems(Path(trial))
    if problems:
        raise NotStarted(problems=problems)
    return _write(folder, files)


def _write(folder: Path, files: dict[str, str]) -> list[Path]:
    written = []
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        write(path, content.encode(), public=True)
        written.append(path)
    return written


def _problems(folder: Path) -> list[Problem]:
    try:
        return lint(load_catalogue(folder))
    except CatalogueError as error:
        return error.problems


def _said(value: str | None) -> str:
    """A text as YAML takes it whatever it holds: in double quotes, as JSON is."""
    return "null" if value is None else json.dumps(value, ensure_ascii=False)


def _settings(site: NewSite) -> str:
    kinds = {
        "type": site.identifier_type,
        "use": "official",
        **({"assigner": site.assigner} if site.assigner else {}),
    }
    if site.identifiers:
        known = f"identifier_systems: {{mrn: {_said(site.identifiers)}}}"
        kind = f"identifier_kinds: {{mrn: {{{', '.join(f'{key}: {_said(value)}' for key, value in kinds.items())}}}}}"
    else:
        known = "# identifier_systems: {mrn: https://hospital.example/mrn}"
        kind = "# identifier_kinds: {mrn: {type: MR, use: official, assigner: Our hospital}}"
    if site.organisation and site.organisation_id:
        system, _, value = site.organisation_id.rpartition("|")
        identifier = f"{{system: {_said(system)}, value: {_said(value)}}}"
        organisation = f"organisation: {{name: {_said(site.organisation)}, identifier: {identifier}}}"
    else:
        name = _said(site.organisation or "Our hospital")
        organisation = f"# organisation: {{name: {name}, identifier: {{system: https://.., value: ..}}}}"
    country = site.country.upper() if site.country else None
    return f"""\
# A site's own settings, laid over what the adapter ships (--site DIR on every command). What is left out stays as it
# is shipped; mappings/settings.yaml says what each key does. Look: newborn-adapter items --site DIR; before it goes
# live: newborn-adapter site rehearse DIR.

# Base of the site's own code systems and identifiers: a web address of yours. .invalid never resolves.
# canonical: https://fhir.hospital.example/newborn

# Whose policy the ranges and urgencies are, and of which day: no clinician of yours has signed these yet.
# policy: {{name: Newborn policy of our ward, date: "2026-01-31"}}

# What the newborns' numbers are of; "mrn" is then their short name in capture files.
{known}
# type: a code of HL7 table 0203; use: usual or official; assigner: who gives them.
{kind}

# Whose exams these are, with an identifier by which others know your organisation.
{organisation}

# de and fr are shipped as drafts; any other needs its words in labels/ and words/LANGUAGE.yaml; null is English.
language: {_said(site.language)}
# IANA name: what a form answers in UTC is local time again.
time_zone: {_said(site.time_zone)}
paper: {"letter" if country in _LETTER else "a4"}

# SNOMED CT needs a licence in many countries: all | global-patient-set | off
# snomed: all

# Who stands for the terminology package; active once the site has signed it.
publication: {{jurisdiction: {_said(country)}}}
"""


def _messages(site: NewSite) -> str:
    sender = f"sending_facility: {{namespace: {_said(site.sender)}}}" if site.sender else "# sending_facility: {}"
    to = f"receiving_facility: {{namespace: {_said(site.receiver)}}}" if site.receiver else "# receiving_facility: {}"
    return f"""\
# HL7 v2.5.1: who sends to whom (MSH-3 to MSH-6); mappings/v2.yaml has every other key.
sending_application: {{namespace: NEWBORN_EXAM}}
{sender}
# receiving_application: {{}}
{to}
# T (training) until you have tested with the receiver: then P.
processing_id: T
"""


def _labels(language: str) -> str:
    return f"""\
# Your own words, by id, in place of the shipped ones (German and French are drafts); what no file says stays English.
language: {_said(language)}
# The native clinician who has read these and the shipped ones: "name, date"; else every report says that nobody has.
reviewed: null
# items:
#   cry: ..
#   murmur: {{label: .., answers: {{none: ..}}}}
# reasons: {{crying: ..}}
"""
