"""Bundles from others: taken in whole or not at all, the same one once, and nothing outside of the folder."""

from __future__ import annotations

import hashlib
import io
import json
import random
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from seeded_cases import seeded_record

from audit.errors import AuditError, ExchangeError
from audit.exchange.club_bundle import bundle_files, write_bundle
from audit.exchange.club_read import read_bundle
from audit.exchange.club_store import accept_sender, merge, merged_tables
from audit.exchange.club_tables import club_rows
from audit.exchange.keys import ClubKeys, club_keys, fingerprint

RECORD = seeded_record()


def made(keys: ClubKeys, number: int = 1, codes: tuple[str, ...] = ("M77-4471923",)) -> bytes:
    records = [replace(RECORD, restoration=replace(RECORD.restoration, code=code)) for code in codes]
    return write_bundle(bundle_files(club_rows(records, keys), (), keys, number, notes=False))


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> ClubKeys:
    return club_keys(tmp_path_factory.mktemp("keys"), "north")


@pytest.fixture
def club(tmp_path: Path, keys: ClubKeys) -> Path:
    accept_sender(tmp_path / "club", fingerprint(keys.public))
    return tmp_path / "club"


def state(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()}


def changed(data: bytes, name: str, change: Callable[[bytes], bytes], keys: ClubKeys | None = None) -> bytes:
    """A bundle with one file changed; signed anew with `keys`, the hashes set right, where they are given."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        files = {info.filename: archive.read(info) for info in archive.infolist()}
    files[name] = change(files[name])
    if keys is not None:
        manifest = json.loads(files["manifest.json"])
        if name != "manifest.json":
            manifest["files"] = {n: hashlib.sha256(c).hexdigest() for n, c in files.items() if not n.startswith("manifest")}
        files["manifest.json"] = json.dumps(manifest).encode()
        files["manifest.sig"] = keys.sign(files["manifest.json"])
    return write_bundle(files)


def test_what_was_sent_comes_in_with_its_provenance(club: Path, keys: ClubKeys) -> None:
    data = made(keys)
    done = merge(club, [data])
    assert (done.taken, done.known, done.senders, done.cases) == (1, 0, 1, 1)
    rows = merged_tables(club)
    sent = read_bundle(data)
    assert [{k: v for k, v in row.items() if k not in ("sender", "bundle")} for row in rows["readings"]] == sent.tables["readings"]
    assert {(row["sender"], row["bundle"]) for row in rows["readings"]} == {(fingerprint(keys.public), sent.sha256[:16])}


def test_the_same_again_changes_nothing(club: Path, keys: ClubKeys) -> None:
    merge(club, [made(keys)])
    before = state(club)
    done = merge(club, [made(keys), made(keys)])
    assert (done.taken, done.known) == (0, 2) and state(club) == before


def test_of_the_same_case_the_later_bundle_counts_whatever_the_order(tmp_path: Path, keys: ClubKeys) -> None:
    first, second = made(keys, 1, ("M77-1", "M77-2")), made(keys, 2, ("M77-2", "M77-3"))
    states = []
    for number, order in enumerate(([first, second], [second, first])):
        folder = tmp_path / f"club{number}"
        accept_sender(folder, fingerprint(keys.public))
        for data in order:
            merge(folder, [data])
        states.append(state(folder / "merged"))
        bundles = {row["case"]: row["bundle"] for row in merged_tables(folder)["restorations"]}
        later = read_bundle(second).sha256[:16]
        assert bundles[keys.pseudonym("case", "M77-2")] == bundles[keys.pseudonym("case", "M77-3")] == later
        assert bundles[keys.pseudonym("case", "M77-1")] == read_bundle(first).sha256[:16]
    assert states[0] == states[1]


def evil_zip(name: str, content: bytes = b"x", *, link: bool = False) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        info = zipfile.ZipInfo(name)
        info.external_attr = (0o120777 if link else 0o600) << 16
        archive.writestr(info, content)
    return stream.getvalue()


@pytest.mark.parametrize(
    "name",
    ["../../evil.csv", "/etc/cron.d/evil", "..\\evil.csv", "C:\\evil.csv", "crops/../../x.jpg", "readings.csv/../x", "readings.csv\n",
     "réadings.csv"],
)  # fmt: skip
def test_names_that_lead_elsewhere_are_refused(club: Path, name: str) -> None:
    before = state(club.parent)
    with pytest.raises(ExchangeError, match="bundle must"):
        merge(club, [evil_zip(name)])
    assert state(club.parent) == before


def test_links_are_refused(club: Path) -> None:
    with pytest.raises(ExchangeError, match="plain files only"):
        merge(club, [evil_zip("readings.csv", b"/etc/passwd", link=True)])


def test_a_zip_bomb_is_refused_from_its_directory(club: Path) -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("readings.csv", b"0" * (65 << 20))
    assert len(stream.getvalue()) < 100_000
    with pytest.raises(ExchangeError, match="at most 400 MB"):
        read_bundle(stream.getvalue())


def test_a_newer_schema_is_refused_with_its_number(keys: ClubKeys) -> None:
    newer = changed(made(keys), "manifest.json", lambda body: json.dumps({**json.loads(body), "schema": 2}).encode(), keys)
    with pytest.raises(ExchangeError, match="schema 1; got schema 2") as refused:
        read_bundle(newer)
    assert refused.value.hint == "Install the newer program."


def test_a_changed_number_is_refused_by_its_hash(keys: ClubKeys) -> None:
    with pytest.raises(ExchangeError, match="files of its manifest, unchanged"):
        read_bundle(changed(made(keys), "readings.csv", lambda body: body.replace(b"0.4,", b"0.3,")))


def test_a_manifest_signed_by_somebody_else_is_refused(keys: ClubKeys, tmp_path: Path) -> None:
    with pytest.raises(ExchangeError, match="signature of its sender"):
        read_bundle(changed(made(keys), "manifest.json", lambda body: body, club_keys(tmp_path, "north")))


def test_a_sender_whom_nobody_knows_is_refused(club: Path, tmp_path: Path) -> None:
    before = state(club)
    with pytest.raises(ExchangeError, match="sender must be known"):
        merge(club, [made(club_keys(tmp_path / "other", "north"))])
    assert state(club) == before


def test_one_bad_bundle_keeps_the_good_ones_out_too(club: Path, keys: ClubKeys) -> None:
    before = state(club)
    with pytest.raises(ExchangeError):
        merge(club, [made(keys), b"no zip"])
    assert state(club) == before


def test_two_bundles_of_one_number_are_told(club: Path, keys: ClubKeys) -> None:
    merge(club, [made(keys, 1)])
    with pytest.raises(ExchangeError, match="number of its own"):
        merge(club, [made(keys, 1, ("M77-9",))])


def test_another_club_is_another_folder(club: Path, keys: ClubKeys, tmp_path: Path) -> None:
    merge(club, [made(keys)])
    south = club_keys(tmp_path / "s", "south")
    accept_sender(club, fingerprint(south.public))
    with pytest.raises(ExchangeError, match="for the club north; got south"):
        merge(club, [made(south)])


@pytest.mark.parametrize(
    ("table", "old", "new"),
    [("readings", b"0.4,0.04", b"NaN,0.04"), ("readings", b"0.4,0.04", b"=1+1,0.04"), ("findings", b"no_catch", b"<script>"),
     ("restorations", b",16,", b",99,"), ("visits", b"recall", b"party"), ("events", b"C-", b"c-")],
)  # fmt: skip
def test_a_member_with_a_key_cannot_send_what_no_column_allows(keys: ClubKeys, table: str, old: bytes, new: bytes) -> None:
    evil = changed(made(keys), f"{table}.csv", lambda body: body.replace(old, new, 1), keys)
    with pytest.raises(ExchangeError, match=rf"{table} row \d+"):
        read_bundle(evil)


def test_mutated_bundles_are_refused_or_the_same_and_change_nothing(club: Path, keys: ClubKeys) -> None:
    data, rng = made(keys), random.Random(5)
    good, before = read_bundle(data).tables, state(club.parent)
    for _ in range(400):
        evil = bytearray(data)
        for _ in range(rng.choice((1, 1, 2, 8))):
            if rng.random() < 0.8:
                evil[rng.randrange(len(evil))] = rng.randrange(256)
            else:
                at = rng.randrange(len(evil))
                evil[at : at + rng.randrange(40)] = rng.randbytes(rng.randrange(40))
        try:
            assert read_bundle(bytes(evil)).tables == good  # a byte of the zip's own padding: the signed content is untouched
        except AuditError:
            assert state(club.parent) == before


@pytest.mark.parametrize("table", ["restorations", "visits"])
def test_a_row_told_twice_would_count_twice_and_is_refused(keys: ClubKeys, table: str) -> None:
    def doubled(body: bytes) -> bytes:
        lines = body.splitlines(keepends=True)
        return b"".join([*lines, lines[-1]])

    with pytest.raises(ExchangeError, match=f"tell each row of {table} once"):
        read_bundle(changed(made(keys), f"{table}.csv", doubled, keys))
