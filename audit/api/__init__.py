"""The verbs, in order: measure a photo, judge a folder, tell a tooth's record, write the reports. No arithmetic here.

Pages, commands and notebooks call this package and nothing behind it: ``photo`` measures one image, ``record`` asks the ledger,
``reports`` writes what people read.
"""

from __future__ import annotations

from audit.api.at_a_glance import reference_at_a_glance
from audit.api.bringing_in import Guess, guess_photo, place_for, stage_of, take_in, waiting_photos
from audit.api.carry import baseline_photo, carry_marks, earlier_photo
from audit.api.clean import CleanPicture, clean_picture
from audit.api.club import ClubExport, accept_sender, club_summary, merge_bundles, prepare_bundle
from audit.api.club_report import club_report, write_club_report
from audit.api.desk import Desk, Draft, DraftConflict, load_draft, save_draft
from audit.api.examiner_first import HELD_UNTIL, held_back, held_visits, mark_shown, seen_so_far, was_seen, was_shown
from audit.api.marking import (
    Measured,
    add_proposed_metal,
    confirm_marks,
    draft_marks,
    draft_scale,
    found_lines,
    incomplete_marks,
    measure_draft,
    save_marks,
)  # fmt: skip
from audit.api.outcomes import outcome_tables
from audit.api.paper import check_paper, tooth_pdf, write_pdfs
from audit.api.photo import AuditKey, audit_key, check_marks_belong, judge_images, measure_photo, overlay_png, refused_document
from audit.api.portfolio import PORTFOLIO_PURPOSES, WrittenPortfolio, write_portfolio
from audit.api.practice_move import Moved, check_practice, export_practice, import_practice
from audit.api.practice_summary import practice_summary
from audit.api.practice_tables import put_rows
from audit.api.propose import baseline_picture, metal_by_strokes, outline_at
from audit.api.queue import looked_near, mark_looked, next_waiting, waiting_marks
from audit.api.recalls import recalls
from audit.api.record import series, tooth_codes, tooth_record, tooth_records
from audit.api.reference import calibrate_photo, save_picture, write_strip_sheet
from audit.api.reports import read_case_folder, report_data, tooth_html, write_reports
from audit.api.standards import write_standards
from audit.core.picture import PENS
from audit.core.vocabulary import FDI_SCORES, FDI_WORDS, FINDINGS, GRADES, NOT_EXAMINED, STAGES, SURFACES, VIEWS
from audit.errors import AuditError
from audit.folder import unlisted_images
from audit.imaging.livewire import SNAP_KINDS, snap_path
from audit.imaging.viewing import overview_jpeg, region_jpeg, shown
from audit.ledger.store import Ledger, open_ledger
from audit.report.cautions import CAUTIONS
from audit.report.charts import charts
from audit.report.document import Report, index_row
from audit.report.render import document_fragment, fragments, list_fragment
from audit.report.words import finding_words, measurand_words, plain, reading_words

__all__ = [
    "CAUTIONS", "FDI_SCORES", "FDI_WORDS", "FINDINGS", "GRADES", "HELD_UNTIL", "NOT_EXAMINED", "PENS", "PORTFOLIO_PURPOSES", "SNAP_KINDS",
    "STAGES", "SURFACES", "VIEWS", "AuditError", "AuditKey", "CleanPicture", "ClubExport", "Desk", "Draft", "DraftConflict", "Guess",
    "Ledger", "Measured", "Moved", "Report", "WrittenPortfolio", "accept_sender", "add_proposed_metal", "audit_key", "baseline_photo",
    "baseline_picture", "calibrate_photo", "carry_marks", "charts", "check_marks_belong", "check_paper", "check_practice", "clean_picture",
    "club_report", "club_summary", "confirm_marks", "document_fragment", "draft_marks", "draft_scale", "earlier_photo", "export_practice",
    "finding_words", "found_lines", "fragments", "guess_photo", "held_back", "held_visits", "import_practice", "incomplete_marks",
    "index_row", "judge_images", "list_fragment", "load_draft", "looked_near", "mark_looked", "mark_shown", "measurand_words",
    "measure_draft", "measure_photo", "merge_bundles", "metal_by_strokes", "next_waiting", "open_ledger", "outcome_tables", "outline_at",
    "overlay_png", "overview_jpeg", "place_for", "plain", "practice_summary", "prepare_bundle", "put_rows", "read_case_folder",
    "reading_words", "recalls", "reference_at_a_glance", "refused_document", "region_jpeg", "report_data", "save_draft", "save_marks",
    "save_picture", "seen_so_far", "series", "shown", "snap_path", "stage_of", "take_in", "tooth_codes", "tooth_html", "tooth_pdf",
    "tooth_record", "tooth_records", "unlisted_images", "waiting_marks", "waiting_photos", "was_seen", "was_shown", "write_club_report",
    "write_pdfs", "write_portfolio", "write_reports", "write_standards", "write_strip_sheet",
]  # fmt: skip
