"""The readings of one photograph as a DICOM structured report, one measurement group a reading, pointing to the image.

References
----------
DICOM PS3.16 TID 1500 (Measurement Report), TID 1501 (Measurement and Qualitative Evaluation Group); PS3.3 A.35.13.
"""

from __future__ import annotations

import io
from collections.abc import Sequence

import pydicom
from highdicom.sr import (
    CodedConcept,
    Comprehensive3DSR,
    DeviceObserverIdentifyingAttributes,
    FindingSite,
    Measurement,
    MeasurementReport,
    MeasurementsAndQualitativeEvaluations,
    ObservationContext,
    ObserverContext,
    QualitativeEvaluation,
    SourceImageForMeasurementGroup,
    TrackingIdentifier,
)
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes

from audit import __version__
from audit.core.clinical import Restoration
from audit.core.records import Reading, Refusal
from audit.core.vocabulary import MEASURANDS
from audit.exchange.dicom_photo import uid_of

__all__ = ["OWN_SCHEME", "readings_sr"]

OWN_SCHEME = "99RECALLAUDIT"
_UNITS = {"mm": "millimeter", "mm2": "square millimeter", "um": "micrometer", "1": "no units", "deg": "degree"}
_WORDS = {
    "value": "",
    "u": "standard uncertainty, k = 1",
    "low": "lower end of the 95 % interval",
    "high": "upper end of the 95 % interval",
}


def readings_sr(image: bytes, restoration: Restoration, readings: Sequence[Reading], refusals: Sequence[Refusal] = ()) -> bytes:
    """A structured report (Comprehensive 3D SR) about one image.

    Parameters
    ----------
    image : bytes
        The DICOM image that the readings are of, as `photo_dicom` writes it.
    restoration : Restoration
    readings : sequence of Reading
        Below detection and detected readings carry the ends of their interval and no value.
    refusals : sequence of Refusal
        Each a group with its reason and no number.
    """
    source = pydicom.dcmread(io.BytesIO(image))
    groups = [_group(number, source, restoration, reading) for number, reading in enumerate(readings)]
    groups += [_refused(len(readings) + number, source, restoration, refusal) for number, refusal in enumerate(refusals)]
    device = DeviceObserverIdentifyingAttributes(uid=uid_of("device", __version__), name="restoration-audit", model_name=__version__)
    observer = ObserverContext(observer_type=codes.DCM.Device, observer_identifying_attributes=device)
    report = MeasurementReport(
        observation_context=ObservationContext(observer_device_context=observer), imaging_measurements=groups,
        procedure_reported=CodedConcept("recall_photo", OWN_SCHEME, "Recall photograph of a restoration"),
        title=codes.DCM.ImagingMeasurementReport,
    )  # fmt: skip
    made = Comprehensive3DSR(
        evidence=[source], content=report[0], series_instance_uid=uid_of("report series", str(source.SOPInstanceUID)), series_number=2,
        sop_instance_uid=uid_of("report", str(source.SOPInstanceUID)), instance_number=1, manufacturer="restoration-audit",
        is_complete=True, is_final=False, is_verified=False,
    )  # fmt: skip
    stream = io.BytesIO()
    made.save_as(stream, enforce_file_format=True)
    return stream.getvalue()


def _group(number: int, source: Dataset, restoration: Restoration, reading: Reading) -> MeasurementsAndQualitativeEvaluations:
    numbers = {"low": reading.interval95[0], "high": reading.interval95[1]}
    if reading.status == "measured" and reading.value is not None:
        numbers = {"value": reading.value.value, "u": reading.value.u, **numbers}
    unit = CodedConcept(reading.unit, "UCUM", _UNITS[reading.unit])
    words = MEASURANDS[reading.measurand].words
    measurements = []
    for part, value in numbers.items():
        code = reading.measurand if part == "value" else f"{reading.measurand}:{part}"
        name = CodedConcept(code, OWN_SCHEME, ", ".join(filter(None, (words, _WORDS[part])))[:64])
        measurements.append(Measurement(name=name, value=value, unit=unit))
    return _of(number, source, restoration, reading.measurand, reading.status, measurements)


def _refused(number: int, source: Dataset, restoration: Restoration, refusal: Refusal) -> MeasurementsAndQualitativeEvaluations:
    return _of(number, source, restoration, refusal.measurand, f"refused: {refusal.code}", [])


def _of(
    number: int, source: Dataset, restoration: Restoration, measurand: str, status: str, measurements: list[Measurement]
) -> MeasurementsAndQualitativeEvaluations:  # fmt: skip
    tooth = CodedConcept(restoration.tooth.snomed_ct, "SCT", restoration.tooth.name)
    told = QualitativeEvaluation(
        name=CodedConcept("status", OWN_SCHEME, "Status of the reading"),
        value=CodedConcept(status.replace(" ", ""), OWN_SCHEME, status.replace("_", " ")),
    )  # fmt: skip
    return MeasurementsAndQualitativeEvaluations(
        tracking_identifier=TrackingIdentifier(uid_of("reading", str(source.SOPInstanceUID), str(number)), f"{number}: {measurand}"),
        finding_sites=[FindingSite(anatomic_location=tooth)], measurements=measurements or None, qualitative_evaluations=[told],
        source_images=[SourceImageForMeasurementGroup(source.SOPClassUID, source.SOPInstanceUID)],
    )  # fmt: skip
