"""Bearer tokens (RFC 6750): who may ask.

Any of several tokens opens the service, so that they can be changed one after the other. A file of tokens is read
again when it has changed, without a restart. Tokens are kept and compared as digests, all of them every time, so that
neither the time that it takes nor a dump of the memory's tables tells one.
"""

from __future__ import annotations

import hashlib
import hmac
import logging
import threading
import time
from pathlib import Path

from tallwide_service.settings import WrongSetting
from tallwide_service.settings import tokens as read_tokens

LOG = logging.getLogger("tallwide_service")
LOOK_AGAIN_S = 1.0


class Tokens:
    """The tokens that open the service.

    Parameters
    ----------
    given
        Tokens from the environment.
    file
        File with further tokens, one a line, or an empty text; `#` begins a comment.

    Raises
    ------
    WrongSetting
        If the file cannot be read, or holds something that is no token.
    """

    def __init__(self, given: tuple[str, ...], file: str) -> None:
        self._given = _digests(given)
        self._file = Path(file) if file else None
        self._lock = threading.Lock()
        self._look_at_s = 0.0
        self._stamp: object = None
        self._digests = self._given
        if self._file is not None:
            self._stamp, self._digests = _stamp(self._file), self._given + _digests(_tokens_in(self._file))

    @property
    def number(self) -> int:
        """How many there are."""
        return len(self._digests)

    def open_for(self, authorization: str) -> bool:
        """Whether a value of `Authorization` shows one of the tokens."""
        if self._file is not None and time.monotonic() >= self._look_at_s:
            self._read_again(self._file)
        scheme, _, shown = authorization.partition(" ")
        digest = hashlib.sha256(shown.strip().encode("utf-8", "replace")).digest()
        found = False
        for each in self._digests:
            found |= hmac.compare_digest(each, digest)
        return found and scheme.lower() == "bearer"

    def _read_again(self, file: Path) -> None:
        """Take what the file holds now; a file that is wrong changes nothing."""
        with self._lock:
            self._look_at_s = time.monotonic() + LOOK_AGAIN_S
            try:
                stamp = _stamp(file)
                if stamp != self._stamp:
                    self._digests, self._stamp = self._given + _digests(_tokens_in(file)), stamp
                    LOG.info("tokens read again: %d", len(self._digests))
            except WrongSetting as error:
                LOG.error("tokens stay as they were: %s", error)


def _digests(named: tuple[str, ...]) -> tuple[bytes, ...]:
    return tuple(hashlib.sha256(token.encode()).digest() for token in named)


def _stamp(file: Path) -> object:
    """Return what changes when a file does, a mounted secret whose folder is swapped included."""
    try:
        state = file.stat()
    except OSError as error:
        raise WrongSetting(f"TALLWIDE_TOKENS_FILE: {file}: {error.strerror}") from None
    return state.st_mtime_ns, state.st_size, state.st_ino


def _tokens_in(file: Path) -> tuple[str, ...]:
    try:
        lines = file.read_text(encoding="ascii", errors="replace").splitlines()
    except OSError as error:
        raise WrongSetting(f"TALLWIDE_TOKENS_FILE: {file}: {error.strerror}") from None
    try:
        return read_tokens(" ".join(line for line in lines if not line.lstrip().startswith("#")))
    except ValueError as error:
        raise WrongSetting(f"TALLWIDE_TOKENS_FILE: {file}: {error}") from None
