"""The Bundle is validated by a model library of its own, and its numbers are those of the record."""

from __future__ import annotations

import csv
from importlib.resources import files
from typing import Any

import pytest
from fhir.resources.R4B.bundle import Bundle
from seeded_cases import seeded_record

from audit.exchange.fhir import fhir_bundle

RECORD = seeded_record()


@pytest.fixture(scope="module")
def bundle() -> dict[str, Any]:
    return fhir_bundle(RECORD)


def observations(bundle: dict[str, Any], code: str) -> list[dict[str, Any]]:
    resources = [entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == "Observation"]
    return [one for one in resources if one["code"]["coding"][0]["code"] == code]


def test_the_model_library_accepts_it_and_gives_it_back(bundle: dict[str, Any]) -> None:
    # fhir.resources (BSD-3), models of R4B generated from HL7's own definitions
    read = Bundle.model_validate(bundle)
    assert len(read.entry) == len(bundle["entry"])
    assert {entry.resource.get_resource_type() for entry in read.entry} == {"Device", "Observation"}


def test_the_model_library_would_refuse_a_mistake(bundle: dict[str, Any]) -> None:
    broken = {**bundle, "entry": [{**bundle["entry"][1], "resource": {**bundle["entry"][1]["resource"], "status": None}}]}
    with pytest.raises(ValueError):
        Bundle.model_validate(broken)


def test_a_measured_value_keeps_its_digits_its_unit_and_its_uncertainty(bundle: dict[str, Any]) -> None:
    heights = observations(bundle, "visible_metal_height")
    assert [one["valueQuantity"]["value"] for one in heights] == [0.4 + 0.01 * number for number in range(4)]
    for one in heights:
        assert (one["valueQuantity"]["system"], one["valueQuantity"]["code"]) == ("http://unitsofmeasure.org", "mm")
        assert one["component"][0]["valueQuantity"]["value"] == pytest.approx(0.04)


def test_below_detection_is_less_than_and_never_a_value(bundle: dict[str, Any]) -> None:
    for one in observations(bundle, "widest_marginal_opening"):
        assert (one["valueQuantity"]["comparator"], one["valueQuantity"]["value"], one["valueQuantity"]["code"]) == ("<", 62.0, "um")


def test_a_refusal_has_a_reason_and_no_value(bundle: dict[str, Any]) -> None:
    for one in observations(bundle, "margin_to_crest"):
        assert one["dataAbsentReason"]["coding"][0]["code"] == "not-performed"
        assert not [name for name in one if name.startswith("value")]


def test_the_tooth_is_the_one_of_the_table(bundle: dict[str, Any]) -> None:
    # SNOMED CT codes of DICOM PS3.16 CID 4018 as listed in audit/core/teeth.csv
    rows = list(csv.DictReader(files("audit.core").joinpath("teeth.csv").read_text(encoding="utf-8").splitlines()))
    (code,) = [row["sct_code"] for row in rows if row["iso3950"] == "16"]
    assert code == "865995000"
    sites = [entry["resource"]["bodySite"]["coding"][0] for entry in bundle["entry"][1:]]
    assert all(site["code"] == code and site["system"] == "http://snomed.info/sct" for site in sites)


def test_the_same_record_is_the_same_bundle(bundle: dict[str, Any]) -> None:
    assert fhir_bundle(RECORD) == bundle
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(set(urls)) == len(urls)
