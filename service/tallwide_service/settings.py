"""Settings: what an operator decides, read once from `TALLWIDE_` variables of the environment.

A variable of that prefix that nobody reads is a start-up error: a misspelt token list must not leave a service open.
Seconds carry `_s`. Secrets are never shown, neither by `repr` nor by `shown`.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

PREFIX = "TALLWIDE_"
# The SDK's own, which may stand in the same environment.
OF_THE_SDK = frozenset({"TALLWIDE_URL", "TALLWIDE_TOKEN"})
SWITCHES = {"on": True, "off": False, "true": True, "false": False}
# RFC 6750, 2.1: what a bearer token is made of. Shorter ones could be guessed.
TOKEN = re.compile(r"[A-Za-z0-9._~+/-]{16,512}={0,2}")
ORIGIN = re.compile(r"https?://(?:[a-z0-9.-]+|\[[0-9a-f:]+\])(?::[0-9]{1,5})?")

Reader = Callable[[str], Any]


class WrongSetting(ValueError):
    """A variable that nobody reads, or one whose value makes no sense; the message names it and no secret."""


def whole(least: int, most: int) -> Reader:
    """Return the reader of a whole number within bounds."""

    def read(written: str) -> int:
        if not (written.isascii() and written.isdigit() and least <= int(written[:9]) <= most):
            raise ValueError(f"must be a whole number from {least} to {most}, not {written[:40]!r}")
        return int(written)

    return read


def seconds(least: float, most: float) -> Reader:
    """Return the reader of a number of seconds within bounds."""

    def read(written: str) -> float:
        is_number = re.fullmatch(r"[0-9]{1,6}(?:\.[0-9]{1,6})?", written)
        if not (is_number and least <= float(written) <= most):
            raise ValueError(f"must be seconds from {least:g} to {most:g}, not {written[:40]!r}")
        return float(written)

    return read


def switch(written: str) -> bool:
    """Return whether something is on."""
    if written.lower() not in SWITCHES:
        raise ValueError(f"must be on or off, not {written[:40]!r}")
    return SWITCHES[written.lower()]


def words(written: str) -> str:
    """Return a text that is not empty."""
    if not written.strip():
        raise ValueError("must not be empty")
    return written


def origins(written: str) -> tuple[str, ...]:
    """Return origins as browsers send them (RFC 6454), or `*` alone."""
    named = tuple(written.replace(",", " ").split())
    strange = [name for name in named if not ORIGIN.fullmatch(name)]
    if strange and named != ("*",):
        raise ValueError(f"must be origins such as https://panels.example, or * alone, not {strange[0][:80]!r}")
    return named


def tokens(written: str) -> tuple[str, ...]:
    """Return bearer tokens, which stand apart by commas or white space."""
    named = tuple(written.replace(",", " ").split())
    if not named:
        raise ValueError("must hold at least one token")
    for position, token in enumerate(named, start=1):
        if not TOKEN.fullmatch(token):  # and is not repeated, since it may be a secret with one wrong sign
            raise ValueError(
                f"token {position} is no bearer token: 16 to 512 letters, digits and . _ ~ + / - (= at the end alone)"
            )
    return named


def setting(default: Any, read: Reader, meaning: str, *, secret: bool = False) -> Any:
    """Return the field of one setting."""
    metadata = {"read": read, "meaning": meaning, "secret": secret}
    return field(default=default, metadata=metadata, repr=not secret)


@dataclass(frozen=True, slots=True)
class Settings:
    """What an operator decides; the environment has each member in capitals, after `TALLWIDE_`."""

    host: str = setting("127.0.0.1", words, "address to listen on")
    port: int = setting(8080, whole(1, 65_535), "port to listen on")
    workers: int = setting(1, whole(1, 256), "processes")
    threads: int = setting(2, whole(1, 64), "requests computed at a time, per process; slow ones leave a place free")
    waiting: int = setting(16, whole(0, 512), "requests that may wait, per process, and as many slow; more get 429")
    wait_s: float = setting(1.0, seconds(0.01, 60), "how long a request may wait for its turn; then it gets 429")
    deadline_s: float = setting(10.0, seconds(0.1, 600), "how long a request may compute; then it gets 503")
    drain_s: float = setting(1.0, seconds(0, 10), "how long /readyz says 503 after SIGTERM before no call is taken")
    tokens: tuple[str, ...] = setting((), tokens, "bearer tokens, any of which opens the service", secret=True)
    tokens_file: str = setting("", words, "file with further tokens, one a line; read again when it changes")
    allowed_origins: tuple[str, ...] = setting((), origins, "pages of these origins may ask (CORS), or * for all")
    trust_proxy: bool = setting(False, switch, "take X-Forwarded-Prefix as true: a proxy in front sets or removes it")
    log: bool = setting(True, switch, "one line of JSON a request on standard error")
    metrics: bool = setting(True, switch, "GET /metrics")
    tracing: bool = setting(False, switch, "spans by OpenTelemetry, which OTEL_ variables set up (extra `tracing`)")

    @property
    def asks_for_tokens(self) -> bool:
        """Whether callers must show a token."""
        return bool(self.tokens or self.tokens_file)


FIELDS = {PREFIX + each.name.upper(): each for each in fields(Settings)}


def read_settings(environment: Mapping[str, str]) -> Settings:
    """Return the settings in an environment.

    Raises
    ------
    WrongSetting
        If a variable of the prefix is not read by anybody, or has a value that makes no sense.

    Examples
    --------
    >>> read_settings({"TALLWIDE_PORT": "9000", "HOME": "/"}).port
    9000
    """
    found: dict[str, Any] = {}
    for name in sorted(name for name in environment if name.startswith(PREFIX) and name not in OF_THE_SDK):
        if name not in FIELDS:
            raise WrongSetting(f"there is no setting {name[:80]}; the nearest name is {nearest(name[:80])}")
        try:
            found[FIELDS[name].name] = FIELDS[name].metadata["read"](environment[name])
        except ValueError as error:
            raise WrongSetting(f"{name} {error}") from None
    return Settings(**found)


def nearest(name: str) -> str:
    """Return the name that somebody may have meant."""
    known = [each.removeprefix(PREFIX) for each in (*FIELDS, *OF_THE_SDK)]
    return PREFIX + difflib.get_close_matches(name.removeprefix(PREFIX).upper(), known, n=1, cutoff=0)[0]


def shown(settings: Settings) -> dict[str, Any]:
    """Return effective values by the names of their variables, secrets masked."""
    return {
        name: masked(getattr(settings, each.name)) if each.metadata["secret"] else getattr(settings, each.name)
        for name, each in FIELDS.items()
    }


def masked(secrets: tuple[str, ...]) -> str:
    """Return how many secrets there are, and nothing of them."""
    return f"*** ({len(secrets)})" if secrets else ""
