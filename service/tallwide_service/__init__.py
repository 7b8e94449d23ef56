"""The service: a stateless REST interface over the computing core."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flask import Flask

    from tallwide_service.settings import Settings

__all__ = ["create_app"]


def create_app(settings: Settings | None = None, *, is_bounded: bool = True) -> Flask:
    """Return the service as a WSGI application; the web libraries load with the first one."""
    from tallwide_service.api.app import create_app as create  # noqa: PLC0415 - the core must load without Flask

    return create(settings, is_bounded=is_bounded)
