"""Readings, refusals and findings of one restoration as HL7 FHIR R4 Observations in a Bundle, UCUM units, the tooth in SNOMED CT.

Notes
-----
Below detection is a quantity with the comparator ``<``; detected is a range; a refusal is an observation without a value and with its
reason. The standard uncertainty and the 95 % interval stand in components: R4 has no field for them. Codes of the measurands are this
program's own, as no standard code was found that means the projected lengths of this project.

References
----------
HL7 FHIR R4 (4.0.1), Observation and Bundle. https://hl7.org/fhir/R4/observation.html - UCUM. https://ucum.org
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from typing import Any

from audit import __version__
from audit.core.clinical import Finding
from audit.core.outcome import PhotoRecord, ToothRecord, VisitRecord
from audit.core.records import Reading, Refusal
from audit.core.site import site_of
from audit.core.vocabulary import MEASURANDS

__all__ = ["fhir_bundle"]

_OWN = "urn:restoration-audit"
_UCUM, _SNOMED = "http://unitsofmeasure.org", "http://snomed.info/sct"
_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_SHOWN = {"mm": "mm", "mm2": "mm2", "um": "um", "1": "1", "deg": "deg"}
_NAMES = uuid.uuid5(uuid.NAMESPACE_URL, _OWN)

Resource = dict[str, Any]


def fhir_bundle(record: ToothRecord) -> Resource:
    """A Bundle of type collection: the device, then an Observation for each reading, refusal and finding.

    Parameters
    ----------
    record : ToothRecord

    Returns
    -------
    dict
        JSON types. Identities are derived from the content: the same record gives the same Bundle.

    Notes
    -----
    Dates of visits stay in: this is a practice's own record for its own system, not a de-identified one.
    """
    device = f"urn:uuid:{uuid.uuid5(_NAMES, __version__)}"
    entries: list[Resource] = [{"fullUrl": device, "resource": _device()}]
    for number, observation in enumerate(_observations(record, device)):
        name = uuid.uuid5(_NAMES, f"{record.restoration.code}/{number}/{observation['effectiveDateTime']}")
        entries.append({"fullUrl": f"urn:uuid:{name}", "resource": observation})
    identifier = {"system": f"{_OWN}:restoration", "value": record.restoration.code}
    return {"resourceType": "Bundle", "type": "collection", "identifier": identifier, "entry": entries}


def _device() -> Resource:
    names = [{"name": "restoration-audit", "type": "model-name"}]
    return {"resourceType": "Device", "status": "active", "deviceName": names, "version": [{"value": __version__}]}


def _observations(record: ToothRecord, device: str) -> Iterator[Resource]:
    for visit in record.visits:
        for finding in visit.findings:
            yield {**_head(record, visit), **_finding(finding)}
        for photo in visit.photos:
            for reading in photo.readings:
                yield {**_head(record, visit), "device": {"reference": device}, **_reading(reading, photo)}
            for refusal in photo.refusals:
                yield {**_head(record, visit), "device": {"reference": device}, **_refusal(refusal)}


def _head(record: ToothRecord, visit: VisitRecord) -> Resource:
    tooth = record.restoration.tooth
    site = [{"system": _SNOMED, "code": tooth.snomed_ct, "display": tooth.name}]
    return {
        "resourceType": "Observation", "status": "final", "effectiveDateTime": visit.visit.on,
        "subject": {"identifier": {"system": f"{_OWN}:restoration", "value": record.restoration.code}},
        "bodySite": {"coding": site, "text": f"tooth {tooth.iso3950} (ISO 3950)"},
    }  # fmt: skip


def _reading(reading: Reading, photo: PhotoRecord) -> Resource:
    low, high = reading.interval95
    site = site_of(reading, photo)
    told: Resource = {
        "category": _category("imaging"), "code": _measurand(reading.measurand), "method": {"text": reading.method},
        "derivedFrom": [{"identifier": {"system": f"{_OWN}:image-sha256", "value": photo.sha256}, "display": photo.view}],
    }  # fmt: skip
    if reading.status == "measured" and reading.value is not None:
        told["valueQuantity"] = _quantity(reading.value.value, reading.unit)
        told["component"] = [_component("standard-uncertainty", "standard uncertainty, k = 1", _quantity(reading.value.u, reading.unit)),
                             _range_component(low, high, reading.unit)]  # fmt: skip
    elif reading.status == "below_detection":
        told["valueQuantity"] = {**_quantity(high, reading.unit), "comparator": "<"}
    else:
        told["valueRange"] = {"low": _quantity(low, reading.unit), "high": _quantity(high, reading.unit)}
    words = [*(["site: " + site] if site else []), *(flag.replace("_", " ") for flag in reading.flags)]
    return {**told, **({"note": [{"text": "; ".join(words)}]} if words else {})}


def _refusal(refusal: Refusal) -> Resource:
    coding = [{"system": _ABSENT, "code": "not-performed"}, {"system": f"{_OWN}:refusal", "code": refusal.code}]
    return {
        "category": _category("imaging"), "code": _measurand(refusal.measurand),
        "dataAbsentReason": {"coding": coding, "text": refusal.reason or refusal.code},
    }  # fmt: skip


def _finding(finding: Finding) -> Resource:
    told: Resource = {
        "category": _category("exam"),
        "code": {"coding": [{"system": f"{_OWN}:finding", "code": finding.finding}], "text": finding.finding.replace("_", " ")},
        "valueCodeableConcept": {"text": finding.value.replace("_", " ")},
    }
    if finding.examiner:
        told["performer"] = [{"identifier": {"system": f"{_OWN}:examiner", "value": finding.examiner}}]
    if finding.surface:
        told["note"] = [{"text": f"surface: {finding.surface}"}]
    return told


def _measurand(name: str) -> Resource:
    words = MEASURANDS[name].words if name in MEASURANDS else name.replace("_", " ")
    return {"coding": [{"system": f"{_OWN}:measurand", "code": name, "display": words}], "text": words}


def _category(code: str) -> list[Resource]:
    return [{"coding": [{"system": _CATEGORY, "code": code}]}]


def _quantity(value: float, unit: str) -> Resource:
    return {"value": value, "unit": _SHOWN[unit], "system": _UCUM, "code": unit}


def _component(code: str, words: str, quantity: Resource) -> Resource:
    return {"code": {"coding": [{"system": f"{_OWN}:component", "code": code}], "text": words}, "valueQuantity": quantity}


def _range_component(low: float, high: float, unit: str) -> Resource:
    code = {"coding": [{"system": f"{_OWN}:component", "code": "interval-95"}], "text": "95 % coverage interval"}
    return {"code": code, "valueRange": {"low": _quantity(low, unit), "high": _quantity(high, unit)}}
