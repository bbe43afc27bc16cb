"""The readable report: an exam as one HTML page or PDF, what must be told before everything else."""

from __future__ import annotations

from collections.abc import Sequence

from adapter import __version__
from adapter.catalogue import Catalogue
from adapter.derive.view import ExamView
from adapter.document import Block, Document, Heading, Paragraph, Tone, say, to_html, to_pdf
from adapter.exam import Exam, Status
from adapter.fhir.identity import SOFTWARE
from adapter.fhir.report import caution
from adapter.write import account as tell
from adapter.write.account import Sources

_LIMITS = (
    "Colour and jaundice judged by eye are unreliable on dark skin: measure. A value inside a range may still be "
    "wrong for this infant. The ranges are for term infants; under 34 weeks they do not apply."
)


def write(
    exam: Exam,
    catalogue: Catalogue,
    kind: str,
    encoding: str,
    *,
    pretty: bool = False,
    earlier: Sequence[Exam] = (),
) -> bytes:
    """The report, compared with those of ``earlier`` that are earlier exams of this newborn.

    Raises :class:`adapter.document.PdfNotInstalled` for ``pdf`` without the extra.
    """
    document = report(exam, catalogue, earlier)
    return to_pdf(document) if encoding == "pdf" else to_html(document)


def report(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> Document:
    """The report as a document of blocks."""
    view = ExamView(exam, catalogue, earlier)
    sources = Sources(catalogue)
    kind = catalogue.kinds[exam.details.kind].label
    blocks: list[Block] = [
        *tell.standing(view),
        tell.about_newborn(view),
        *tell.about_mother(view),
        tell.about_exam(view),
        Heading("What must be told"),
        Paragraph(say(f"{view.counts}."), Tone.STRONG),
        *tell.tell_notices(view, sources),
        *_under("Since the earlier exams", tell.comparison(view)),
        *_under("Growth", tell.growth_plots(view)),
        *_under("Findings, in the order of the exam", _regions(view, sources)),
        *_under("Scores, sign by sign", tell.score_tables(view)),
        *_under("Not examined, and why", tell.not_examined(view)),
        *_under("Not recorded", tell.not_recorded(view)),
        *_under("Not computed", tell.withheld_list(view)),
        Heading("Cautions"),
        Paragraph(say(caution(catalogue))),
        Paragraph(say(_LIMITS)),
        *_under("Sources of ranges and rules", sources.listed()),
    ]
    return Document(
        title=f"Newborn examination: {kind}",
        language=catalogue.language,
        author=", ".join(filter(None, (examiner.shown_name for examiner in exam.details.examiners))),
        running=tell.running(exam),
        foot=f"{SOFTWARE} {__version__}, catalogue {catalogue.settings.version}; {_policy(catalogue)}",
        paper=catalogue.settings.paper,
        banner="ENTERED IN ERROR" if exam.details.status is Status.ENTERED_IN_ERROR else "",
        blocks=tuple(blocks),
    )


def _policy(catalogue: Catalogue) -> str:
    policy = catalogue.settings.policy
    return f"policy in force: {policy.name} ({policy.date})"


def _under(heading: str, blocks: Sequence[Block]) -> list[Block]:
    """Blocks under a heading; no heading over nothing."""
    return [Heading(heading), *blocks] if blocks else []


def _regions(view: ExamView, sources: Sources) -> list[Block]:
    tables = [block for region in view.catalogue.regions for block in tell.region_table(view, region, sources)]
    return [Paragraph(say("Left and right are the infant's own."), Tone.QUIET), *tables] if tables else []
