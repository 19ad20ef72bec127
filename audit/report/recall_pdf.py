"""The recall report of one restoration on paper: two to four pages, page one read in 30 seconds."""

from __future__ import annotations

from typing import Any

from audit.core.limits import DIFFERENT_METHOD
from audit.core.outcome import ToothRecord
from audit.core.picture import PENS
from audit.core.vocabulary import RADIOGRAPH_VIEWS
from audit.report import words
from audit.report.cautions import CAUTIONS, HOW_TO_READ
from audit.report.charts import PAPER, charts, read_once
from audit.report.document import Report, finding_matrix, refusal_groups
from audit.report.first_page import ComparedLine, first_page
from audit.report.paper_pictures import Files, band_rows, photo_rows
from audit.report.sources import method_words, references
from audit.report.typeset import check_paper, pdf
from audit.report.used import methods_used, pens_used

__all__ = ["recall_pdf"]

MOST_CHARTS = 12


def recall_pdf(report: Report, paper: str = "a4") -> bytes:
    """The recall report as PDF.

    Parameters
    ----------
    report : Report
        With tiles and unrolled margins.
    paper : {'a4', 'letter'}
    """
    check_paper(paper)
    files: Files = {}
    data = {
        **_head(report, paper), **_first(report), **_later(report),
        "strips": photo_rows(report.tiles, files, paper), "bands": band_rows(report.margins, files), "charts": _charts(report),
    }  # fmt: skip
    return pdf("recall.typ", data, files, report.generated_on)


def _head(report: Report, paper: str) -> dict[str, Any]:
    record, restoration = report.record, report.record.restoration
    design = words.design_words(restoration.design)
    facts = [
        f"{design[:1].upper()}{design[1:]}, {restoration.alloy} alloy", restoration.tooth.name,
        f"placed {restoration.placed_on}" + (f" by {restoration.operator}" if restoration.operator else ""),
        f"{len(record.visits)} visits", f"baseline {record.baseline_on}" if record.baseline_on else "no baseline",
    ]  # fmt: skip
    return {
        "paper": paper, "code": restoration.code, "generated_on": report.generated_on, "software": report.software,
        "title": f"Recall report {restoration.code}", "heading": f"{restoration.code} · tooth {words.tooth_words(restoration)}",
        "facts": " · ".join(facts),
    }  # fmt: skip


def _first(report: Report) -> dict[str, Any]:
    record, first = report.record, first_page(report.record)
    last = first.last_visit
    return {
        "status": {"word": record.status.word, "words": words.STATUS_TITLES[record.status.word], "sentence": record.status.sentence},
        "attention": list(record.attention), "not_assessed": list(record.not_assessed), "refused_rows": list(report.refused_rows),
        "recall": {"due": record.next_recall.due_on, "sentence": record.next_recall.sentence}, "bitewing": _bitewing(record),
        "events": [f"{e.on}: {words.event_words(e.kind)}{f' ({e.note})' if e.note else ''}" for e in record.events],
        "visit": None if last is None else {
            "on": last.visit.on, "months": round(last.months), "examiner": last.visit.examiner, "note": last.visit.note,
            "not_sound": [[", ".join(filter(None, (line.subject, line.surface))), line.answer] for line in first.not_sound],
            "otherwise": " ".join(first.otherwise), "grades": list(first.grades), "not_examined": list(first.not_examined),
        },
        "compared": {
            "against": first.against, "changed": list(first.changed), "changed_above": first.changed_above,
            "share_of_metal": first.share_of_metal, "beyond_alone": list(first.beyond_alone), "half_width": first.half_width,
            "by_difference": _lines(first.by_difference), "below_detection": _lines(first.below_detection),
            "cannot_tell": _lines(first.cannot_tell), "nothing": not record.changes,
        },
    }  # fmt: skip


def _lines(lines: tuple[ComparedLine, ...]) -> list[list[str]]:
    return [[line.subject, line.numbers] for line in lines]


def _bitewing(record: ToothRecord) -> str:
    taken = [visit for visit in record.visits if any(photo.view in RADIOGRAPH_VIEWS for photo in visit.photos)]
    if record.status.word == "ended":
        return ""
    last = f"Last one on record: {taken[-1].visit.on}, {taken[-1].months:.0f} months after placement." if taken else "None is on record."
    return f"{last} When the next is due is decided by the clinician on clinical grounds; none is taken for this report."


def _later(report: Report) -> dict[str, Any]:
    record = report.record
    matrix = finding_matrix(record)
    graded = [(subject, cells) for subject, cells in matrix.rows if ", " in subject and any(g.system == subject.partition(", ")[0]
              for visit in matrix.visits for g in visit.grades)]  # fmt: skip
    visits = [visit for visit in matrix.visits if visit.grades]
    columns = [matrix.visits.index(visit) for visit in visits]
    examiners = [", ".join(dict.fromkeys(g.examiner for g in visit.grades if g.examiner)) or "not stated" for visit in visits]
    return {
        "grades": {
            "visits": [[visit.visit.on, examiner] for visit, examiner in zip(visits, examiners, strict=True)],
            "rows": [[subject, *(cells[c].answer if cells[c] else "" for c in columns)] for subject, cells in graded],  # type: ignore[union-attr]
        },
        "plan": [[check.sentence, check.source] for check in record.plan_checks],
        "refusals": [[group.count, group.reasons[0][0], "; ".join(group.measurands)] for group in refusal_groups(record)],
        "readings": len(report.series), "undrawn": read_once(report), "cautions": list(CAUTIONS), "how_to_read": HOW_TO_READ,
        "different_method": DIFFERENT_METHOD, "references": references(report.series["measurand"]),
        "methods": [[method, "; ".join(subjects), method_words(method)] for method, subjects in methods_used(report)],
        "pens": [_pen(name) for name in pens_used(report)],
    }  # fmt: skip


def _pen(name: str) -> dict[str, Any]:
    pen = PENS[name]
    colour = "#{:02x}{:02x}{:02x}".format(*pen.colour)
    return {"name": name, "words": pen.words, "colour": colour, "width": pen.width, "dash": list(pen.dash), "double": pen.double}


def _charts(report: Report) -> dict[str, Any]:
    """The most telling charts as rows to be placed, and the names of those that paper has no room for."""
    drawn = charts(report, PAPER)
    shown = [{"title": chart.title, "alt": chart.alt, **chart.drawn._asdict()} for chart in drawn[:MOST_CHARTS]]
    return {"shown": shown, "left_out": [chart.title for chart in drawn[MOST_CHARTS:]]}
