"""The tokens in force: read again whenever their file changes, so that one is made or taken back without a restart."""

import asyncio
import hmac
import os
from collections.abc import Callable
from pathlib import Path

from qsyd_daemon.api.token_file import Token, TokenFileError, digest_of, read_tokens

LONGEST = 200
"""Characters of the longest text that is looked up as a token."""


class Tokens:
    """The tokens of one file; without a path there are none. A file that cannot be used means no tokens."""

    def __init__(self, path: Path | None, trouble: Callable[[str], None]) -> None:
        """`trouble` is told in words, once, when the file cannot be used any more."""
        self._path = path
        self._trouble = trouble
        self._known: tuple[Token, ...] = ()
        self._stamp: tuple[int, ...] | None = None
        self._told: str | None = None

    async def find(self, secret: str) -> Token | None:
        """The token that this is. Compares with every digest, each in constant time."""
        await self.refresh()
        if len(secret) > LONGEST:
            return None
        given = digest_of(secret)
        found = None
        for token in self._known:
            if hmac.compare_digest(token.digest, given):
                found = token
        return found

    def holds(self, token: Token) -> bool:
        """Whether this token is still in force, by what was read last."""
        return token in self._known

    async def refresh(self) -> None:
        """Look whether the file has changed, off the event loop: a disk may hang."""
        if self._path is not None:
            await asyncio.to_thread(self._refresh, self._path)

    def _refresh(self, path: Path) -> None:
        try:
            found = os.stat(path)
            stamp = (found.st_mtime_ns, found.st_ctime_ns, found.st_size, found.st_ino, found.st_mode)
            if stamp == self._stamp:
                return
            self._known = read_tokens(path)
            self._stamp, self._told = stamp, None
            return
        except FileNotFoundError:
            text = f"{path}: there is no such file; no token is accepted"
        except (OSError, TokenFileError) as error:
            text = f"{error}; no token is accepted"
        had_any = self._stamp is not None or self._known
        self._known, self._stamp = (), None
        if text != self._told:
            self._told = text
            if had_any or not text.endswith("no such file; no token is accepted"):
                self._trouble(text)
