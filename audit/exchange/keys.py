"""Keys of one practice for one club: who sends, and how codes are hidden. Files that only their owner may read.

References
----------
Ed25519: RFC 8032, in the library `cryptography`. HMAC: RFC 2104.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import os
import re
import secrets
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from audit.errors import ExchangeError

__all__ = ["CLUB_NAME", "ClubKeys", "club_keys", "fingerprint", "is_signed_by", "next_number"]

CLUB_NAME = r"[a-z0-9][a-z0-9-]{0,30}"
_CODE_LENGTH = 10


@dataclass(frozen=True)
class ClubKeys:
    """What one practice holds for one club.

    Parameters
    ----------
    club : str
    signing : bytes
        Ed25519 seed, 32 bytes.
    secret : bytes
        For pseudonyms, 32 bytes; another one in every club, so that bundles of two clubs cannot be joined.
    """

    club: str
    signing: bytes
    secret: bytes

    @property
    def public(self) -> bytes:
        """Public key that the receiving side knows the sender by."""
        return Ed25519PrivateKey.from_private_bytes(self.signing).public_key().public_bytes_raw()

    def sign(self, message: bytes) -> bytes:
        """Signature of a message."""
        return Ed25519PrivateKey.from_private_bytes(self.signing).sign(message)

    def pseudonym(self, kind: str, code: str) -> str:
        """The same name for the same code in this club, that nobody without the key can turn back."""
        digest = hmac.digest(self.secret, f"{kind}/{code}".encode(), "sha256")
        return f"{kind[0].upper()}-{base64.b32encode(digest).decode()[:_CODE_LENGTH]}"


def fingerprint(public: bytes) -> str:
    """A public key in short, to be compared by voice."""
    return hashlib.sha256(public).hexdigest()[:16]


def is_signed_by(public: bytes, message: bytes, signature: bytes) -> bool:
    """Whether the holder of a key signed a message."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def club_keys(folder: str | Path, club: str) -> ClubKeys:
    """The keys for a club, made the first time; readable by their owner alone.

    Raises
    ------
    ExchangeError
        A name that cannot be a file's, a file that others may read, or one that is no key.
    """
    if not re.fullmatch(CLUB_NAME, club, re.ASCII):
        raise ExchangeError(f"club must be lower-case letters, digits and hyphens; got {club!r}.", "Choose a short name like north-club.")
    path = Path(folder) / f"{club}.key"
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        _write(path, {"signing": secrets.token_bytes(32).hex(), "secret": secrets.token_bytes(32).hex(), "sent": 0})
    body = _read(path)
    return ClubKeys(club, bytes.fromhex(body["signing"]), bytes.fromhex(body["secret"]))


def next_number(folder: str | Path, club: str) -> int:
    """How many bundles this one makes it, counted in the key file: the receiving side takes the later of two without any date."""
    path = Path(folder) / f"{club}.key"
    body = _read(path)
    _write(path, {**body, "sent": body["sent"] + 1})
    return int(body["sent"]) + 1


def _write(path: Path, body: dict[str, object]) -> None:
    fresh = path.with_suffix(".new")
    fresh.unlink(missing_ok=True)
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
        json.dump(body, file)
    fresh.replace(path)


def _read(path: Path) -> dict[str, Any]:
    if os.name == "posix" and path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise ExchangeError(f"key file must be readable by its owner alone; {path.name} is open to others.", f"chmod 600 {path.name}")
    try:
        body = json.loads(path.read_text(encoding="ascii"))
        good = len(bytes.fromhex(body["signing"])) == len(bytes.fromhex(body["secret"])) == 32 and isinstance(body["sent"], int)
    except (OSError, ValueError, KeyError, TypeError):
        good = False
    if not good:
        raise ExchangeError(f"key file must hold the keys of a club; {path.name} does not.", "Restore it from a backup.")
    return dict(body)
