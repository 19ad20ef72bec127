"""The practice at a glance: who is due this month, and what waits for somebody's answer."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from audit.core.outcome import PhotoRecord, ToothRecord, VisitRecord
from audit.report import words
from audit.report.sheet import Sheet, SheetSection, SheetTable

__all__ = ["practice_sheet"]

_STANDINGS = (("due", "Due within a month"), ("overdue", "Overdue"), ("lost", "Lost to recall"))
_SEEN = ("baseline", "recall")
_Place = tuple[ToothRecord, VisitRecord, PhotoRecord]


def practice_sheet(
    records: Sequence[ToothRecord], recalls: Iterable[Mapping[str, object]], today: str, *, refused: Sequence[str] = (), linked: bool = True
) -> Sheet:
    """Recalls of this month and open questions.

    Parameters
    ----------
    records : sequence of ToothRecord
        All of a ledger.
    recalls : iterable of mapping
        One a restoration, as `audit.analysis.recall_list` tells them.
    today : str
        ISO 8601 date.
    refused : sequence of str
        One line for each file or table row that was not taken in.
    linked : bool
        Whether the reports stand beside the page, named by their codes.
    """
    links = {record.restoration.code: f"{record.restoration.code}.html" for record in records} if linked else None
    rows = list(recalls)
    waiting = [_refused_photos(records, links), _unmarked(records, links), _proposals(records, links), _ungraded(records, links)]
    due = sum(row["standing"] in ("due", "overdue", "lost") for row in rows)
    facts = f"{len(records)} restorations · {due} to be called · {sum(count for count, _ in waiting) + len(refused)} open questions"
    sections = [_recalls(rows, links), _bitewings(rows, today, links), *(section for _, section in waiting)]
    if refused:
        sections.append(SheetSection(f"Not taken in ({len(refused)})", tuple(refused)))
    return Sheet("Practice", "This month", facts, tuple(sections), today)


def _recalls(rows: Sequence[Mapping[str, object]], links: Mapping[str, str] | None) -> SheetSection:
    found = [(row, said) for standing, said in _STANDINGS for row in rows if row["standing"] == standing]
    if not found:
        return SheetSection("To be called", ("Nobody is due within a month, overdue or lost to recall.",))
    told = tuple(
        (str(row["restoration"]), said, str(row["due_on"] or ""), f"{row['months_late']:.0f}" if row["months_late"] else "",
         str(row["last_seen_on"] or "never"), str(row["why"]))
        for row, said in found
    )  # fmt: skip
    table = SheetTable(("Restoration", "Standing", "Due on", "Months late", "Last seen", "Why"), told, (3,), links)
    return SheetSection(f"To be called ({len(told)})", (), (table,))


def _bitewings(rows: Sequence[Mapping[str, object]], today: str, links: Mapping[str, str] | None) -> SheetSection:
    found = sorted((str(row["bitewing_due_on"]), str(row["restoration"]), str(row["bitewing"])) for row in rows if row["bitewing_due_on"])
    told = tuple((code, on, why) for on, code, why in found if on[:7] <= today[:7])
    note = ("Only where the clinician set an interval; none is taken for this tool's sake.",)
    if not told:
        return SheetSection("Bitewings", ("None is due this month by an interval that the clinician set.",))
    return SheetSection(f"Bitewings ({len(told)})", (), (SheetTable(("Restoration", "Due on", "Why"), told, links=links),), notes=note)


def _refused_photos(records: Sequence[ToothRecord], links: Mapping[str, str] | None) -> tuple[int, SheetSection]:
    told = []
    for record, visit, photo in _photos(records):
        if photo.refusals and not photo.readings:
            first = next((r for r in photo.refusals if r.measurand == "photo"), photo.refusals[0])
            told.append((record.restoration.code, visit.visit.on, photo.file, first.reason, first.hint))
    heads = ("Restoration", "Visit", "Photo", "Nothing was measured, as", "Next step")
    return _listed("Photographs refused", heads, told, links, "Every photograph on record gave a reading, or was not marked yet.")


def _unmarked(records: Sequence[ToothRecord], links: Mapping[str, str] | None) -> tuple[int, SheetSection]:
    told = [(record.restoration.code, visit.visit.on, photo.file) for record, visit, photo in _photos(records)
            if photo.sha256 and not (photo.annotations or {}).get("features")]  # fmt: skip
    return _listed("Photographs without marks", ("Restoration", "Visit", "Photo"), told, links, "Every photograph on record is marked.")


def _proposals(records: Sequence[ToothRecord], links: Mapping[str, str] | None) -> tuple[int, SheetSection]:
    told = []
    for record, visit, photo in _photos(records):
        measurands = dict.fromkeys(_brief(r.measurand) for r in photo.readings if r.details.get("by") == "proposal")
        if measurands:
            told.append((record.restoration.code, visit.visit.on, photo.file, ", ".join(measurands)))
    heads = ("Restoration", "Visit", "Photo", "What rests on it")
    sure = "Every region of metal that was measured was confirmed by a reader."
    return _listed("Regions of metal that nobody confirmed", heads, told, links, sure)


def _ungraded(records: Sequence[ToothRecord], links: Mapping[str, str] | None) -> tuple[int, SheetSection]:
    told = [
        (
            record.restoration.code,
            visit.visit.on,
            visit.visit.stage,
            visit.visit.examiner or "not stated",
            "yes" if visit.findings else "no",
        )
        for record in records
        for visit in record.visits
        if visit.visit.stage in _SEEN and not visit.grades
    ]
    heads = ("Restoration", "Visit", "Stage", "Examiner", "Findings entered")
    return _listed("Visits without a grade", heads, told, links, "Every baseline and recall was graded.")


def _listed(
    title: str, heads: tuple[str, ...], told: Sequence[tuple[str, ...]], links: Mapping[str, str] | None, otherwise: str
) -> tuple[int, SheetSection]:
    if not told:
        return 0, SheetSection(title, (otherwise,))
    return len(told), SheetSection(f"{title} ({len(told)})", (), (SheetTable(heads, tuple(told), links=links),))


def _brief(measurand: str) -> str:
    return words.brief_words(measurand, "", "").rstrip(", ").lower()


def _photos(records: Iterable[ToothRecord]) -> Iterator[_Place]:
    return ((record, visit, photo) for record in records for visit in record.visits for photo in visit.photos)
