"""The keys of a sealed record, kept in one small file that the coach's passphrase opens.

    record.key.age        identity and database key, encrypted with the passphrase (age, scrypt)
    record.recovery.age   the database key, encrypted to the record's own identity (age, X25519)
    record.sealing        stands there while a record is being sealed or unsealed

The identity opens every file of the record with any program that reads the age format
(age-encryption.org/v1); written down, it is the recovery key.
"""

from __future__ import annotations

import json
import secrets
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.files import write_whole

__all__ = [
    "KEY_FILE",
    "MARKER",
    "PASSPHRASE_MIN",
    "RECOVERY_FILE",
    "RecordKeys",
    "check_passphrase",
    "is_sealed",
    "make_keys",
    "recover",
    "sealing_library",
    "unlock",
    "write_keys",
]

KEY_FILE = "record.key.age"
RECOVERY_FILE = "record.recovery.age"
MARKER = "record.sealing"
FORMAT = "lessonmark-keys-1"
DATABASE_KEY_BYTES = 32  # AES-256, as SQLCipher takes it
PASSPHRASE_MIN = 15  # characters, where nothing else guards (NIST SP 800-63B-4, 3.1.1.2)


@dataclass(frozen=True, kw_only=True)
class RecordKeys:
    """What opens a sealed record."""

    identity: str = field(repr=False)  # age X25519, 'AGE-SECRET-KEY-1...'
    database: str = field(repr=False)  # 64 hexadecimal digits


def is_sealed(folder: Path) -> bool:
    """Say whether a record is sealed, or half so."""
    return (folder / KEY_FILE).exists()


def make_keys() -> RecordKeys:
    """Make fresh keys from the system's own randomness."""
    library = sealing_library()
    return RecordKeys(
        identity=str(library.x25519.Identity.generate()),
        database=secrets.token_hex(DATABASE_KEY_BYTES),
    )


def write_keys(folder: Path, keys: RecordKeys, passphrase: str) -> None:
    """Write the keys down, opened by a passphrase; an older passphrase opens them no more.

    Raises
    ------
    RecordError : the passphrase is too short, or the disk is full.
    """
    library = sealing_library()
    check_passphrase(passphrase)
    own = library.x25519.Identity.from_str(keys.identity).to_public()
    words = {"format": FORMAT, "identity": keys.identity, "database": keys.database}
    write_whole(folder / RECOVERY_FILE, library.encrypt(keys.database.encode(), [own]))
    sealed = library.passphrase.encrypt(json.dumps(words).encode(), _plain(passphrase))
    write_whole(folder / KEY_FILE, sealed)


def unlock(folder: Path, passphrase: str) -> RecordKeys:
    """Read the keys with the passphrase.

    Raises
    ------
    RecordError : the passphrase is another one, or the file of the keys is damaged or gone.
    """
    library = sealing_library()
    try:
        content = library.passphrase.decrypt(_read(folder / KEY_FILE), _plain(passphrase))
    except library.DecryptError as err:
        raise RecordError(
            say("this passphrase does not open the record"),
            path=folder / KEY_FILE,
            do=say("type it again; with the recovery key, 'lessonmark passphrase' sets a new one"),
        ) from err
    words = json.loads(content)
    return RecordKeys(identity=words["identity"], database=words["database"])


def recover(folder: Path, identity: str) -> RecordKeys:
    """Read the keys with the recovery key that was written down.

    Raises
    ------
    RecordError : it is no recovery key, or one of another record.
    """
    library = sealing_library()
    identity = "".join(identity.split()).upper()
    try:
        own = library.x25519.Identity.from_str(identity)
        database = library.decrypt(_read(folder / RECOVERY_FILE), [own]).decode()
    except (library.IdentityError, library.DecryptError) as err:
        raise RecordError(
            say("this is not the recovery key of this record"),
            path=folder / RECOVERY_FILE,
            do=say("type it as it was written down; it begins with AGE-SECRET-KEY-1"),
        ) from err
    return RecordKeys(identity=identity, database=database)


def check_passphrase(passphrase: str) -> None:
    """Refuse a passphrase that is guessed too soon.

    Raises
    ------
    RecordError : it is too short.
    """
    if len(_plain(passphrase)) < PASSPHRASE_MIN:
        raise RecordError(
            say("a passphrase needs {n} characters or more", n=PASSPHRASE_MIN),
            do=say("take five or six words that nobody would guess together"),
        )


def sealing_library() -> Any:  # a module without types
    """Give the library of the age format.

    Raises
    ------
    RecordError : it is not installed.
    """
    try:
        import pyrage
        import sqlcipher3  # noqa: F401 - the one is of no use without the other
    except ImportError as err:
        raise RecordError(
            say("what seals a record is not installed: {driver}", driver=err.name or ""),
            do=say("install Lessonmark with its extra 'sealed'"),
        ) from err
    return pyrage


def _plain(passphrase: str) -> str:
    # Keyboards spell an accented letter in two ways: one spelling for all (Unicode UAX 15).
    return unicodedata.normalize("NFKC", passphrase)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as err:
        raise RecordError(
            say("the file with the record's keys cannot be read"),
            path=path,
            do=say("bring it back from a backup of this record; without it nothing can be opened"),
        ) from err
