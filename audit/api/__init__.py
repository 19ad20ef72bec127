"""The verbs, in order: measure a photo, judge a folder, tell a tooth's record, write the reports. No arithmetic here.

Pages, commands and notebooks call this package and nothing behind it: ``photo`` measures one image, ``record`` asks the ledger,
``reports`` writes what people read.
"""

from __future__ import annotations

from audit.api.photo import AuditKey, audit_key, judge_images, measure_photo, overlay_png, refused_document
from audit.api.record import series, tooth_codes, tooth_record, tooth_records
from audit.api.reports import read_case_folder, report_data, tooth_html, write_reports
from audit.errors import AuditError
from audit.folder import unlisted_images
from audit.ledger.store import Ledger, open_ledger
from audit.report.cautions import CAUTIONS
from audit.report.charts import charts
from audit.report.document import Report, index_row
from audit.report.render import document_fragment, fragments, list_fragment

__all__ = [
    "CAUTIONS", "AuditError", "AuditKey", "Ledger", "Report", "audit_key", "charts", "document_fragment", "fragments", "index_row",
    "judge_images", "list_fragment", "measure_photo", "open_ledger", "overlay_png", "read_case_folder", "refused_document",
    "report_data", "series", "tooth_codes",
    "tooth_html", "tooth_record", "tooth_records", "unlisted_images", "write_reports",
]  # fmt: skip
