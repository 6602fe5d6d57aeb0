"""The file of tokens: who may call from afar, as what. It holds digests only; a token is shown once, when it is made.

A token is 256 random bits, so that a plain SHA-256 of it (FIPS 180-4) gives nothing away and needs no salt.
Standard library only: `qsyd token` imports this.
"""

import hashlib
import json
import os
import re
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qsyd_daemon.api.role import TOKEN_ROLES, Role
from qsyd_daemon.private_file import PrivateFileError, read_private

TOKEN_FILE = "tokens.json"  # noqa: S105 - the name of a file
TOKEN_BYTES = 32
SIZE_MAX = 1 << 20
TOKENS_MAX = 1_000
NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9_.-]{0,62}[A-Za-z0-9])?")
_DIGEST = re.compile(r"[0-9a-f]{64}")


class TokenFileError(Exception):
    """The file of tokens cannot be used; the text says why and what would help."""


@dataclass(frozen=True, slots=True)
class Token:
    """One token, as the file knows it."""

    name: str
    role: Role
    digest: str
    """SHA-256 of the token, 64 hexadecimal digits."""
    made: str
    """RFC 3339, UTC."""


def digest_of(secret: str) -> str:
    """What the file keeps of a token."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def new_token(name: str, role: Role, made: str) -> tuple[str, Token]:
    """A fresh token: the secret, which is kept nowhere, and what the file keeps of it."""
    secret = secrets.token_urlsafe(TOKEN_BYTES)
    return secret, Token(name, role, digest_of(secret), made)


def read_tokens(path: Path) -> tuple[Token, ...]:
    """The tokens of a file that only its owner can read. Raises `TokenFileError`, `FileNotFoundError`."""
    try:
        data = read_private(path, SIZE_MAX)
    except PrivateFileError as error:
        raise TokenFileError(str(error)) from None
    try:
        return tuple(_token(each) for each in json.loads(data)["tokens"])
    except (ValueError, TypeError, KeyError, RecursionError):
        raise TokenFileError(f"{path}: is no file of tokens; make one with `qsyd token new`") from None


def _token(given: dict[str, Any]) -> Token:
    name, role, digest, made = (given[key] for key in ("name", "role", "sha256", "made"))
    if not isinstance(name, str) or not NAME.fullmatch(name) or not isinstance(made, str):
        raise ValueError(name)
    if not isinstance(digest, str) or not _DIGEST.fullmatch(digest):
        raise ValueError(digest)
    return Token(name, TOKEN_ROLES[role], digest, made)


def write_tokens(path: Path, tokens: Iterable[Token]) -> None:
    """Replace the file, in one piece and durably. Raises `TokenFileError`."""
    shown = [
        {"name": token.name, "role": token.role.word, "sha256": token.digest, "made": token.made} for token in tokens
    ]
    data = (json.dumps({"tokens": shown}, indent=1) + "\n").encode()
    new = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        new.unlink(missing_ok=True)
        descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
        directory = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(directory)
        finally:
            os.close(directory)
    except OSError as error:
        raise TokenFileError(f"{path}: cannot be written: {error.strerror}") from None
