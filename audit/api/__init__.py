"""The verbs, in order: measure a photo, judge a folder, tell a tooth's record, write the reports. No arithmetic here.

Pages, commands and notebooks call this package and nothing behind it: ``photo`` measures one image, ``record`` asks the ledger,
``reports`` writes what people read.
"""

from __future__ import annotations

from audit.api.desk import Desk, Draft, DraftConflict
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
from audit.api.photo import AuditKey, audit_key, judge_images, measure_photo, overlay_png, refused_document
from audit.api.clean import CleanPicture, clean_picture
from audit.api.club import ClubExport, accept_sender, club_summary, merge_bundles, prepare_bundle
from audit.api.paper import check_paper, tooth_pdf, write_pdfs
from audit.api.record import series, tooth_codes, tooth_record, tooth_records
from audit.api.reference import write_strip_sheet
from audit.api.reports import read_case_folder, report_data, tooth_html, write_reports
from audit.core.picture import PENS
from audit.errors import AuditError
from audit.folder import unlisted_images
from audit.imaging.livewire import SNAP_KINDS, snap_path
from audit.imaging.viewing import overview_jpeg, region_jpeg, shown
from audit.ledger.store import Ledger, open_ledger
from audit.report.cautions import CAUTIONS
from audit.report.charts import charts
from audit.report.document import Report, index_row
from audit.report.render import document_fragment, fragments, list_fragment
from audit.report.words import measurand_words, reading_words

__all__ = [
    "check_paper", "tooth_pdf", "write_pdfs",
    "CleanPicture", "ClubExport", "accept_sender", "clean_picture", "club_summary", "merge_bundles", "prepare_bundle",
    "CAUTIONS", "PENS", "SNAP_KINDS", "AuditError", "AuditKey", "Desk", "Draft", "DraftConflict", "Ledger", "Measured", "Report",
    "add_proposed_metal", "audit_key", "charts", "confirm_marks", "document_fragment", "draft_marks", "draft_scale", "found_lines",
    "fragments", "incomplete_marks", "index_row", "judge_images", "list_fragment", "measurand_words", "measure_draft", "measure_photo",
    "open_ledger", "overlay_png", "overview_jpeg", "read_case_folder", "reading_words", "refused_document", "region_jpeg",
    "report_data", "save_marks", "series", "shown", "snap_path", "tooth_codes", "tooth_html", "tooth_record", "tooth_records",
    "unlisted_images", "write_reports",
    "write_strip_sheet",
]  # fmt: skip
