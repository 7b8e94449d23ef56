"""The app, made once, and a client for it."""

from __future__ import annotations

import pytest

from tallwide_service import create_app


@pytest.fixture(scope="session")
def app():
    return create_app()


@pytest.fixture
def client(app):
    return app.test_client()
