"""Loading the catalogue: ``mappings/``, a site's folder laid over it, all problems at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from difflib import get_close_matches
from functools import cache, lru_cache, partial
from pathlib import Path
from typing import Any, TypeVar, cast

import pydantic

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.chosen import read_chosen, with_chosen
from adapter.catalogue.code import SITE, Frozen, graded_by
from adapter.catalogue.cohorts import Cohort
from adapter.catalogue.files import READERS, Node, UnreadableFile, mappings, text_of, yaml_files
from adapter.catalogue.growth import growth_rows
from adapter.catalogue.hours import HourTable, hour_rows
from adapter.catalogue.kept import kept, unpacked
from adapter.catalogue.labels import laid, reviewed, with_labels, without_words
from adapter.catalogue.languages import LABELS, WORDS, shipped_file, tags
from adapter.catalogue.local_codes import with_local_codes
from adapter.catalogue.model import Region
from adapter.catalogue.places import Places
from adapter.catalogue.proof import read_proof
from adapter.catalogue.rules import NotJudged, Rule
from adapter.catalogue.settings import Settings
from adapter.catalogue.signatures import Signature
from adapter.catalogue.site_tables import RowFault
from adapter.catalogue.strays import strays
from adapter.catalogue.tables import Estimate, GrowthReference, Screening
from adapter.catalogue.typed import typed
from adapter.catalogue.units import UnitTable
from adapter.catalogue.v2 import V2Settings
from adapter.catalogue.verified import VerifiedCode, read_verified
from adapter.catalogue.vocabulary import (
    CodeSystem,
    Equivalence,
    Kind,
    PersonFact,
    ProfileClaim,
    Reason,
    Site,
    Source,
    Stage,
    Term,
    Unit,
)
from adapter.catalogue.words import MEASURE, words_of
from adapter.problems import AdapterError, ExitCode, Layer, Problem, Severity

_HOUSE = Path(__file__).parents[1]
_ELSEWHERE = ("columns/", "deidentification/", "phenopackets/", "quality/")
"""Folders of ``mappings/`` that are read where they are used."""
_LISTS: dict[str, type[Frozen]] = {
    "systems": CodeSystem,
    "units": Unit,
    "reasons": Reason,
    "states": Term,
    "methods": Term,
    "roles": Term,
    "kinds": Kind,
    "sides": Term,
    "sections": Term,
    "meanings": Term,
    "urgencies": Term,
    "details": Term,
    "profiles": ProfileClaim,
    "person_facts": PersonFact,
    "stages": Stage,
    "equivalences": Equivalence,
    "graders": Term,
    "sites": Site,
    "sources": Source,
    "rules": Rule,
    "not_judged": NotJudged,
    "cohorts": Cohort,
    "signatures": Signature,
    "estimates": Estimate,
    "screenings": Screening,
}
_SETTINGS = {"site": "settings", "v2": "v2"}
"""Files that are one mapping, and what they set; the shipped settings.yaml goes as a site's site.yaml."""
_BY_NAME = ("regions", "growth", "hours", LABELS, WORDS)
"""Folders whose files are known by their names."""
_WHOLE = ("when", "beside", "centiles")
"""What a site replaces whole: half of one condition, or of one curve, and half of another would be neither."""
PACKS = "packs"
"""The folder of ``mappings/`` that holds the packs."""
_KEYS = {"units": "ucum"}
T = TypeVar("T", bound=Frozen)


class CatalogueError(AdapterError):
    """The catalogue cannot be used; ``problems`` says why, each with file, line and remedy."""

    exit_code = ExitCode.USAGE

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__(problems=problems)


def load_catalogue(site: Path | None = None, base: Path | None = None) -> Catalogue:
    """The shipped catalogue, with a site's folder laid over it; ``base``: over another version's ``mappings/``.

    A site's folder holds ``site.yaml`` (settings) and any of the files of ``mappings/``; entries of the same id
    are merged key by key, new ones are added. Each is loaded once (see :func:`forget_catalogues`). Raises
    :class:`CatalogueError`.
    """
    return _loaded(site, base)


def shipped_in(language: str | None) -> Catalogue:
    """The shipped catalogue with the shipped words of a language; in English where none are shipped."""
    drafted = language is not None and shipped_file(LABELS, language) is not None
    return _loaded(None, None, language if drafted else None)


def forget_catalogues() -> None:
    """Load anew what is asked for from now on: a site's folder is another."""
    _loaded.cache_clear()


@lru_cache(maxsize=8)
def _loaded(site: Path | None, base: Path | None, language: str | None = None) -> Catalogue:
    if site is None and base is None and language is None:
        return cast(Catalogue, unpacked(_kept_shipped()))
    return _built(site, base, language)


@cache
def _kept_shipped() -> bytes:
    """The shipped catalogue as it was built: of the same files, by the same code, by the same pydantic."""
    code = (path for room in ("catalogue", "exam") for path in (_HOUSE / room).glob("*.py"))
    files = [(f"{path.parent.name}/{path.name}", path) for path in sorted([*code, _HOUSE / "problems.py"])]
    seal = (*yaml_files(mappings()), ("codes.csv", mappings() / "codes.csv"), *files)
    return kept(f"catalogue-{pydantic.VERSION}", seal, lambda: _built(None, None))


def _built(site: Path | None, base: Path | None, language: str | None = None) -> Catalogue:
    plain = site is None and base is None and language is None  # then nothing of it is held that cannot be kept
    over: dict[str, Any] = {}
    raw, problems = shipped_content() if base is None else _read_folder(base, but=(f"{WORDS}/",))
    codes = [(base or mappings()) / "codes.csv"]
    named: list[tuple[Any, dict[str, Any]]] = []
    if language is not None:
        named = [(None, {"settings": {"language": language}})]
    if site is not None:
        over, more = _read_site(site)
        pack, more_of_pack = _pack_under(over)
        problems += [*more, *more_of_pack]
        named = [(pack, _read_folder(pack, f"packs/{pack.name}/")[0] if pack else {}), (site, over)]
    language = _language(raw, *(content for _, content in named))
    drafts = _drafts(raw.pop(LABELS), language, base)
    problems += laid(raw, drafts)
    raw[LABELS] = {}
    shipped = raw
    for folder, content in named:
        shipped, raw = raw, merged(raw, graded_by(SITE, content))
        if folder is not None and (folder / "codes.csv").is_file():
            codes.append(folder / "codes.csv")
            problems += read_verified(folder / "codes.csv")[1]
    if not problems:
        problems += _completed(raw, language, drafts)
    verified_by: Callable[[], Mapping[tuple[str, str], VerifiedCode]]
    verified_by = _shipped_codes if plain else cache(partial(_verified, codes))
    if site is not None and not problems and (chosen := read_chosen(site, problems)):
        verified = dict(verified_by())
        problems += with_chosen(raw, chosen, verified)
        verified_by = lambda: verified  # noqa: E731
    if problems:
        raise CatalogueError(problems)
    lists: dict[str, list[Any]] = {
        name: _typed_list(name, kind, raw.get(name, []), problems) for name, kind in _LISTS.items()
    }
    regions = _typed_regions(raw["regions"], problems)
    growth = _with_rows(
        "growth", GrowthReference, raw["growth"], lambda text, one: growth_rows(text, one.ages), site, problems
    )
    hours = _with_rows("hours", HourTable, raw["hours"], hour_rows, site, problems)
    proof, unreadable = read_proof(site) if site is not None else (None, [])
    problems += unreadable
    settings = typed(Settings, raw["settings"], "settings.yaml", problems)
    v2 = typed(V2Settings, raw["v2"], "v2.yaml", problems)
    layers = [content.get(WORDS, {}) for _, content in named]
    untranslated, drafted = without_words(raw, language, drafts), drafts is not None and not reviewed(raw, language)
    words, more = words_of(language or MEASURE, layers, untranslated, drafted)
    problems += more
    if problems or settings is None or v2 is None:
        raise CatalogueError(problems)
    units = UnitTable(lists.pop("units"))
    tables: dict[str, Any] = {name: {entry.id: entry for entry in some} for name, some in lists.items()}
    return Catalogue(
        settings=settings,
        v2=v2,
        regions=regions,
        units=units,
        growth=growth,
        hours=hours,
        verified_by=verified_by,
        places=Places(_shipped_tree if plain else lambda: shipped, over, settings.language, drafts),
        words=words,
        proof=proof,
        **tables,
    )


def _language(*layers: dict[str, Any]) -> str | None:
    """What the last that says one says; nothing where it is no text, which its type refuses."""
    said = [layer["settings"]["language"] for layer in layers if "language" in (layer.get("settings") or {})]
    return said[-1] if said and isinstance(said[-1], str) else None


def _drafts(own: dict[str, Any], language: str | None, base: Path | None) -> Node | None:
    """The shipped labels of a language, or another version's own."""
    if language is None:
        return None
    if base is None:
        return shipped_file(LABELS, language)
    return next((own[tag] for tag in tags(language) if tag in own), None)


@cache
def _parsed() -> bytes:
    files = (*yaml_files(mappings()), *READERS, (__name__, Path(__file__)))
    return kept("mappings", files, lambda: _read_folder(mappings(), but=(f"{LABELS}/", f"{WORDS}/")))


def shipped_content() -> tuple[dict[str, Any], list[Problem]]:
    """What is shipped, as it was read; anew for each catalogue, since words and codes of a site are put into it."""
    raw, problems = unpacked(_parsed())
    return raw, problems


def _completed(raw: dict[str, Any], language: str | None = None, drafts: Node | None = None) -> list[Problem]:
    """Puts the local codes and the site's words of its language into what was read; ``drafts`` are in it."""
    return [*with_local_codes(raw), *with_labels(raw, language, drafts)]


@cache
def _shipped_tree() -> dict[str, Any]:
    """What is shipped as it stands in the files, for messages alone."""
    raw, _ = shipped_content()
    _completed(raw)
    return raw


@cache
def _shipped_codes() -> Mapping[tuple[str, str], VerifiedCode]:
    return _verified([mappings() / "codes.csv"])


def _verified(paths: list[Any]) -> Mapping[tuple[str, str], VerifiedCode]:
    """The rows of these lists, those of a later one before those of an earlier."""
    found: dict[tuple[str, str], VerifiedCode] = {}
    for path in paths:
        found.update(read_verified(path)[0])
    return found


def _read_folder(folder: Any, called: str = "", but: tuple[str, ...] = ()) -> tuple[dict[str, Any], list[Problem]]:
    """All YAML of a folder ``but`` what is read elsewhere: lists by file name, regions together by region id;
    ``called`` goes before its names."""
    from adapter.catalogue.strict_yaml import lines_of_entries, read_yaml  # here: what is kept needs no YAML

    raw: dict[str, Any] = {"settings": {}, "v2": {}, **{name: {} for name in _BY_NAME}}
    problems: list[Problem] = []
    taken: dict[str, str] = {}
    for name, path in yaml_files(folder):
        if name.startswith((*_ELSEWHERE, f"{PACKS}/", *but)):
            continue
        content, found = read_yaml(path, f"{called}{name}")
        problems += found
        if content is None:
            continue
        stem = name.rsplit("/", 1)[-1].rsplit(".", 1)[0]
        says = "site" if name.rsplit(".", 1)[0] == "settings" else name.rsplit(".", 1)[0]
        if (other := taken.setdefault(says, name)) != name:
            problems.append(_problem(name, f"says what {other} says too", "one file of both"))
            continue
        if name.startswith("regions/"):
            region = content.get("region") if isinstance(content, dict) else None
            if not isinstance(region, str):
                problems.append(_at_line(1, name, "names no region", "a mapping with the key region"))
            elif region in raw["regions"]:
                problems.append(_problem(name, f"region {region} stands in another file too", "one file a region"))
            else:
                raw["regions"][region] = content
        elif name.startswith(tuple(f"{known}/" for known in _BY_NAME)):
            if isinstance(content, dict):
                raw[name.partition("/")[0]][stem] = content
            else:
                problems.append(_at_line(1, name, "is not a mapping", "a mapping, as in the files of DEVELOPERS.md"))
        elif says in _SETTINGS:
            if isinstance(content, dict):
                raw[_SETTINGS[says]] = content
            else:
                remedy = f"settings by name, as in mappings/{_SETTINGS[says]}.yaml"
                problems.append(_at_line(1, name, "is not a mapping", remedy))
        elif stem not in _LISTS and stem != "local_codes":
            known = (*_SETTINGS, *_LISTS, "local_codes")
            near = get_close_matches(stem, known)
            meant = f"did you mean {' or '.join(near)}?" if near else f"one of {', '.join(known)}"
            problems.append(_problem(name, "is not a file the catalogue knows", meant))
        elif not isinstance(content, list):
            problems.append(_at_line(1, name, "is not a list", "entries, each after a dash"))
        elif all(isinstance(entry, dict) for entry in content):
            raw[stem] = content
        else:
            for line, entry in zip(lines_of_entries(path), content, strict=True):
                if not isinstance(entry, dict):
                    problems.append(_at_line(line, name, "an entry is no mapping", "- {id: ..}"))
    return raw, problems


def _read_site(site: Path) -> tuple[dict[str, Any], list[Problem]]:
    if not site.is_dir():
        return {}, [_problem(str(site), "is not a folder", "the folder that holds the site's site.yaml")]
    raw, problems = _read_folder(site)
    return raw, [*strays(site, (*_SETTINGS, *_LISTS, "local_codes"), (*_BY_NAME, *_ELSEWHERE)), *problems]


def packs() -> dict[str, Any]:
    """The shipped packs of national guides by name: folders as a site's own."""
    return {folder.name: folder for folder in sorted((mappings() / PACKS).iterdir(), key=lambda f: f.name)}


def _pack_under(site: dict[str, Any]) -> tuple[Any, list[Problem]]:
    """The pack that a site says it builds on; none where it says nothing."""
    settings = site.get("settings", {})
    named, known = settings.get("builds_on"), packs()
    if named is None:
        return None, []
    if isinstance(named, str) and named in known:
        return known[named], []
    what = f"builds_on: there is no pack {named!r}"
    line = settings.lines.get("builds_on") if isinstance(settings, Node) else None
    return None, [_at_line(line, "site.yaml", what, f"one of {', '.join(known)}")]


def merged(base: Any, over: Any) -> Any:
    """``over`` laid over ``base``: mappings key by key, lists of entries by id (or UCUM code), else replaced."""
    if isinstance(base, dict) and isinstance(over, dict):
        result = Node(base)
        result.file, result.line = getattr(over, "file", ""), getattr(over, "line", 0)
        result.lines = getattr(over, "lines", {})
        for key, value in over.items():
            result[key] = merged(base[key], value) if key in base and key not in _WHOLE else value
        if "label" in over and "within" not in over:
            result.pop("within", None)  # that of the label before
        return result
    if isinstance(base, list) and isinstance(over, list) and _keyed(base) and _keyed(over):
        entries = {_key(entry): entry for entry in base}
        first = {_key(entry): entry for entry in reversed(over)}
        for name, entry in reversed(first.items()):
            entries[name] = merged(entries[name], entry) if name in entries else entry
        # An id that one file gives twice stays twice, to be refused.
        return [*entries.values(), *(entry for entry in over if entry is not first[_key(entry)])]
    return over


def _key(entry: Any) -> Any:
    return entry.get("id", entry.get("ucum"))


def _keyed(entries: list[Any]) -> bool:
    return all(isinstance(entry, dict) and isinstance(_key(entry), str | int) for entry in entries)


def _typed_list(name: str, kind: type[T], raw: Any, problems: list[Problem]) -> list[Any]:
    key = _KEYS.get(name, "id")
    found: dict[str, T] = {}
    for entry in raw or []:
        one = typed(kind, entry, f"{name}.yaml", problems)
        if one is not None:
            name_of = getattr(one, key)
            if name_of in found:
                problems.append(_problem(f"{name}.yaml", f"'{name_of}' stands twice", "each id once", entry))
            found[name_of] = one
    return list(found.values())


def _typed_regions(raw: dict[str, Any], problems: list[Problem]) -> dict[str, Region]:
    found = {}
    for name, content in raw.items():
        file = getattr(content, "file", name)
        region = typed(Region, content, file, problems)
        if region is not None:
            found[name] = region
    return found


def _with_rows(
    folder: str,
    kind: type[T],
    raw: dict[str, Any],
    rows: Callable[[str, T], Any],
    site: Path | None,
    problems: list[Problem],
) -> dict[str, T]:
    """The tables of a folder of the site, by their names: ``NAME.yaml`` says what ``NAME.csv`` beside it holds."""
    found: dict[str, T] = {}
    for name, content in raw.items():
        file = f"{folder}/{name}.yaml"
        table = typed(kind, content, file, problems)
        if table is None or site is None:
            continue
        if (own := getattr(table, "id", name)) != name:
            problems.append(_problem(file, f"has the id '{own}'", f"{name}, as the file"))
        try:
            made = rows(text_of(site / folder / f"{name}.csv"), table)
        except UnreadableFile as error:
            problems.append(
                _at_line(error.line, f"{folder}/{name}.csv", str(error), f"the table that {file} names; UTF-8")
            )
        except ValueError as error:
            fault = _problem(f"{folder}/{name}.csv", str(error), "see DEVELOPERS.md, Tables")
            problems.append(replace(fault, line=error.row if isinstance(error, RowFault) else 1))
        else:
            found[name] = table.model_copy(update={"rows": made})
    return found


def _at_line(line: int | None, file: str, what: str, remedy: str) -> Problem:
    return replace(_problem(file, what, remedy), line=line)


def _problem(file: str, what: str, remedy: str, node: Any = None) -> Problem:
    line = getattr(node, "line", None)
    return Problem(Severity.ERROR, Layer.CATALOGUE, "wrong-file", what, remedy, file=file, line=line)
