"""What leaves for a club: nothing that points to a person, and all that the preview shows."""

from __future__ import annotations

import io
import json
import os
import stat
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from seeded_cases import CODE, DATES, EXAMINER, IDENTIFIERS, OPERATOR, seeded_jpeg, seeded_record

from audit.core.outcome import ToothRecord
from audit.errors import ExchangeError
from audit.exchange.club_bundle import Crop, bundle_files, preview, write_bundle
from audit.exchange.club_schema import TABLES, cell_fault
from audit.exchange.club_tables import club_rows
from audit.exchange.consent import consented
from audit.exchange.keys import ClubKeys, club_keys, fingerprint, is_signed_by, next_number


@pytest.fixture(scope="module")
def record() -> ToothRecord:
    return seeded_record()


@pytest.fixture
def keys(tmp_path: Path) -> ClubKeys:
    return club_keys(tmp_path / "keys", "north-club")


def bundle(record: ToothRecord, keys: ClubKeys, *, notes: bool = False) -> dict[str, bytes]:
    return bundle_files(club_rows([record], keys, notes=notes), (), keys, 1, notes=notes)


def all_bytes(data: bytes) -> bytes:
    """Everything in the zip, unpacked, with all names and comments."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return data + b"".join(info.filename.encode() + info.comment + info.extra + archive.read(info) for info in archive.infolist())


@pytest.mark.parametrize("letter", IDENTIFIERS)
def test_no_identifier_of_the_safe_harbor_list_leaves(record: ToothRecord, keys: ClubKeys, letter: str) -> None:
    # 45 CFR 164.514(b)(2)(i), A to R: the seeded record holds one of each in notes, names of files, flags, details and reasons
    assert IDENTIFIERS[letter].encode() not in all_bytes(write_bundle(bundle(record, keys)))


def test_no_date_no_code_and_no_hash_of_an_original_leaves(record: ToothRecord, keys: ClubKeys) -> None:
    content = all_bytes(write_bundle(bundle(record, keys)))
    photos = [photo for visit in record.visits for photo in visit.photos]
    for word in (*DATES, *(day[:7] for day in DATES), CODE, "M77", OPERATOR, EXAMINER, *(photo.sha256 for photo in photos)):
        assert word.encode() not in content


def test_the_measured_numbers_do_leave_unrounded(record: ToothRecord, keys: ClubKeys) -> None:
    rows = club_rows([record], keys)
    assert [row["value"] for row in rows["readings"] if row["measurand"] == "visible_metal_height"] == [0.4 + 0.01 * n for n in range(4)]
    # 2019-05-06 to 2021-05-10 is 24.1 months of 365.2425 / 12 days
    assert [row["months"] for row in rows["visits"]] == [0, 1, 24, 60]
    assert rows["refusals"][0]["code"] == "image_error"


def test_notes_leave_only_where_chosen(record: ToothRecord, keys: ClubKeys) -> None:
    assert b"Quimby" not in b"".join(bundle(record, keys).values())
    with pytest.raises(ExchangeError, match=r"visits row 2: note must be empty"):
        bundle_files(club_rows([record], keys, notes=True), (), keys, 1, notes=False)
    files = bundle(record, keys, notes=True)
    assert b"Quimby Zeltrop" in files["visits.csv"] and json.loads(files["manifest.json"])["notes"] is True


def test_a_word_outside_the_vocabulary_cannot_leave(record: ToothRecord, keys: ClubKeys) -> None:
    rows = club_rows([record], keys)
    rows["readings"][0] = {**rows["readings"][0], "site": OPERATOR}
    with pytest.raises(ExchangeError, match=r"readings row 2: site must be a word of the vocabulary; got 'Quimby Zeltrop'"):
        bundle_files(rows, (), keys, 1, notes=False)


def test_a_crop_with_metadata_cannot_leave(record: ToothRecord, keys: ClubKeys, tmp_path: Path) -> None:
    crop = Crop(keys.pseudonym("case", CODE), 1, "facial", seeded_jpeg(tmp_path / "s.jpg").read_bytes())
    with pytest.raises(ExchangeError, match="crop must hold nothing but pixels; got APP1"):
        bundle_files(club_rows([record], keys), [crop], keys, 1, notes=False)


def test_pseudonyms_are_the_same_in_one_club_and_others_in_another(tmp_path: Path) -> None:
    north, south = club_keys(tmp_path, "north"), club_keys(tmp_path, "south")
    assert north.pseudonym("case", CODE) == club_keys(tmp_path, "north").pseudonym("case", CODE)
    assert north.pseudonym("case", CODE) != south.pseudonym("case", CODE)
    assert north.pseudonym("case", CODE)[2:] != north.pseudonym("person", CODE)[2:]
    assert north.public != south.public


def test_keys_are_readable_by_their_owner_alone(tmp_path: Path) -> None:
    club_keys(tmp_path / "k", "north")
    path = tmp_path / "k" / "north.key"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert next_number(tmp_path / "k", "north") == 1 and next_number(tmp_path / "k", "north") == 2
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    os.chmod(path, 0o640)
    with pytest.raises(ExchangeError, match="readable by its owner alone"):
        club_keys(tmp_path / "k", "north")


def test_a_club_is_a_plain_name(tmp_path: Path) -> None:
    for name in ("../north", "North", "", "a" * 40, "no rth"):
        with pytest.raises(ExchangeError, match="club must be lower-case"):
            club_keys(tmp_path, name)


def test_signatures_are_those_of_rfc_8032() -> None:
    # RFC 8032, 7.1, test 1: empty message
    seed = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
    public = bytes.fromhex("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")
    signature = bytes.fromhex(
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
    )
    keys = ClubKeys("north", seed, b"s" * 32)
    assert keys.public == public and keys.sign(b"") == signature and is_signed_by(public, b"", signature)
    assert not is_signed_by(public, b"x", signature)


def test_the_preview_shows_every_byte_of_every_table(record: ToothRecord, keys: ClubKeys) -> None:
    files = bundle(record, keys)
    shown = preview(files, keys)
    assert fingerprint(keys.public) in shown
    for name, content in files.items():
        assert name in shown
        if name.endswith((".csv", ".json")):
            assert content.decode() in shown


def test_the_same_content_is_the_same_file(record: ToothRecord, keys: ClubKeys) -> None:
    assert write_bundle(bundle(record, keys)) == write_bundle(bundle(record, keys))
    assert set(bundle(record, keys)) == {"manifest.json", "manifest.sig", *(f"{name}.csv" for name in TABLES)}


def test_only_consent_for_the_purpose_lets_a_case_leave(tmp_path: Path) -> None:
    path = tmp_path / "consent.csv"
    path.write_text("restoration,purpose,given\nA-1,club,yes\nA-2,record,yes\nA-3,club,yes\nA-3,club,no\n")
    assert consented(path, "club", ["A-1", "A-2", "A-3", "A-4"]) == (["A-1"], ["A-2", "A-3", "A-4"])
    path.write_text("restoration,purpose,given\nA-1,club,perhaps\n")
    with pytest.raises(ExchangeError, match="given must be one of yes, no"):
        consented(path, "club", ["A-1"])
    with pytest.raises(ExchangeError):
        consented(tmp_path / "none.csv", "club", ["A-1"])


@given(value=st.floats(1e-12, 1e8) | st.floats(-1e8, -1e-12))
def test_every_number_that_can_be_measured_can_leave(value: float) -> None:
    (column,) = (column for column in TABLES["readings"] if column.name == "value")
    assert cell_fault(column, repr(value), notes=False) == "" and float(repr(value)) == value
