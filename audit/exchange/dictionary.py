"""The data dictionary beside the CSV tables: a Frictionless data package.

References
----------
Data Package and Table Schema, v1. https://specs.frictionlessdata.io
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from audit import __version__

__all__ = ["data_package"]

_TITLES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "restoration": ("string", "case code"), "view": ("string", "view of the photo"), "measurand": ("string", "what was measured"),
        "site": ("string", "part of the tooth; empty where the view says it all"), "on": ("date", "date of the visit"),
        "months": ("number", "months of 365.2425 / 12 days from placement to the visit"),
        "value": ("number", "value in the unit of the row, where status is measured"),
        "u": ("number", "standard uncertainty (k = 1), where status is measured"),
        "low": ("number", "lower end of the 95 % coverage interval"),
        "high": ("number", "upper end of the 95 % coverage interval; the limit where status is below_detection"),
        "status": ("string", "measured, detected or below_detection"), "unit": ("string", "UCUM code"),
        "method": ("string", "method and its version; values of different versions are not compared"),
        "reference": ("string", "kind of reference in the same image that the scale comes from"),
        "file": ("string", "image file, relative to the practice folder"), "sha256": ("string", "SHA-256 of the image file"),
        "flags": ("string", "remarks, separated by spaces"), "code": ("string", "why a measurement was refused, as a code"),
        "reason": ("string", "why a measurement was refused"), "hint": ("string", "next step"), "stage": ("string", "stage of the visit"),
        "finding": ("string", "what the examiner looked at"), "surface": ("string", "surface of the tooth"),
        "examiner": ("string", "code of the examiner"),
    }
)  # fmt: skip
_OTHERWISE = {("findings", "value"): ("string", "the examiner's answer")}
_ALLOWED = {"status": ["measured", "detected", "below_detection"], "unit": ["mm", "mm2", "um", "1", "deg"]}
_NEEDED = {"restoration", "on", "months", "measurand", "status", "unit", "low", "high", "method", "code", "finding"}


def data_package(columns: Mapping[str, tuple[str, ...]]) -> dict[str, Any]:
    """The descriptor of tables given by name with their columns, each in a file ``name.csv``."""
    return {
        "profile": "tabular-data-package", "name": "restoration-audit", "version": __version__,
        "description": "Readings, refusals and findings of a recall audit; they support, never replace, clinical judgement.",
        "resources": [
            {"name": name, "path": f"{name}.csv", "profile": "tabular-data-resource", "format": "csv", "mediatype": "text/csv",
             "encoding": "utf-8", "schema": {"fields": [_field(name, column) for column in listed], "missingValues": [""]}}
            for name, listed in columns.items()
        ],
    }  # fmt: skip


def _field(table: str, column: str) -> dict[str, Any]:
    kind, words = _OTHERWISE.get((table, column), _TITLES[column])
    rules: dict[str, Any] = {"required": True} if column in _NEEDED else {}
    if column in _ALLOWED:
        rules["enum"] = _ALLOWED[column]
    return {"name": column, "type": kind, "description": words, **({"constraints": rules} if rules else {})}
