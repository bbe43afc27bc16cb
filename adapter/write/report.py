"""The readable report: an exam as one HTML page or PDF, what must be told before everything else."""

from __future__ import annotations

from collections.abc import Sequence

from adapter import SOFTWARE, __version__
from adapter.catalogue import Catalogue
from adapter.derive.signed import signed_in_words
from adapter.derive.view import ExamView
from adapter.document import Attached, Block, Document, Heading, Paragraph, Tone, say, to_html, to_pdf
from adapter.exam import Exam, Status
from adapter.fhir.report import caution
from adapter.write import account as tell
from adapter.write.account import Sources
from adapter.write.document import write as write_document
from adapter.write.outward import allowed


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

    One in PDF has the exam's FHIR document attached, where the site writes such and does not say otherwise. Raises
    :class:`adapter.document.PdfNotInstalled` for ``pdf`` without the extra.
    """
    document = report(exam, catalogue, earlier)
    if encoding != "pdf":
        return to_html(document)
    wanted = catalogue.settings.attached_document and "document" in allowed(catalogue)
    return to_pdf(document, (_as_document(exam, catalogue, earlier),) if wanted else ())


def _as_document(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam]) -> Attached:
    """The same exam for a program: the very bytes that ``--to document`` writes."""
    says = catalogue.words.say("report.attached", release=catalogue.settings.fhir)
    content = write_document(exam, catalogue, "document", "json", earlier=earlier)
    return Attached("exam.fhir.json", "application/fhir+json", content, says)


def report(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> Document:
    """The report as a document of blocks."""
    view, words = ExamView(exam, catalogue, earlier), catalogue.words
    sources, policy = Sources(catalogue), catalogue.settings.policy
    listed = [one.line for one in view.lines if not one.resolved]
    blocks: list[Block] = [
        *tell.standing(view),
        tell.about_newborn(view),
        *tell.about_mother(view),
        tell.about_exam(view),
        Heading(words.say("report.what_to_tell")),
        Paragraph(say(words.say("sentence", words=view.counts)), Tone.STRONG),
        *tell.tell_notices(view, sources),
        *_under(words.say("report.since"), tell.comparison(view)),
        *_under(words.say("report.growth"), tell.growth_plots(view)),
        *_under(words.say("report.findings"), _regions(view, sources)),
        *_under(words.say("report.scores"), tell.score_tables(view)),
        *_under(words.say("report.not_examined_why"), tell.not_examined(view)),
        *_under(words.say("report.not_recorded"), tell.not_recorded(view)),
        *_under(words.say("report.not_computed"), tell.withheld_list(view)),
        Heading(words.say("report.cautions")),
        Paragraph(say(caution(catalogue))),
        Paragraph(say(words.say("report.limits"))),
        *([Paragraph(say(signed))] if (signed := signed_in_words(listed, catalogue)) else []),
        *([Paragraph(say(remark), Tone.STRONG)] if (remark := words.remark()) else []),
        *_under(words.say("report.sources"), sources.listed()),
    ]
    return Document(
        title=words.say("report.title", kind=catalogue.kinds[exam.details.kind].label),
        language=catalogue.language,
        page_of=words.template("document.page_of"),
        unshown=words.both("document.unshown"),
        author=", ".join(filter(None, (examiner.shown_name for examiner in exam.details.examiners))),
        running=tell.running(exam, words),
        foot=words.say(
            "report.foot",
            software=f"{SOFTWARE} {__version__}",
            catalogue=catalogue.settings.version,
            policy=policy.name,
            date=policy.date,
        ),
        paper=catalogue.settings.paper,
        made=exam.details.made,
        banner=words.say("report.banner") if exam.details.status is Status.ENTERED_IN_ERROR else "",
        blocks=tuple(blocks),
    )


def _under(heading: str, blocks: Sequence[Block]) -> list[Block]:
    """Blocks under a heading; no heading over nothing."""
    return [Heading(heading), *blocks] if blocks else []


def _regions(view: ExamView, sources: Sources) -> list[Block]:
    tables = [block for region in view.catalogue.regions for block in tell.region_table(view, region, sources)]
    own = view.catalogue.words.say("report.own_sides")
    return [Paragraph(say(own), Tone.QUIET), *tables] if tables else []
