"""The in-process transport: any WSGI application, as WSGI (PEP 3333) has it."""

from __future__ import annotations

from wsgiref.validate import validator

import pytest

from tallwide import Client
from tallwide.inprocess import InProcessAdapter

JSON = [("Content-Type", "application/json"), ("Content-Length", "2")]


def test_the_environment_is_what_pep_3333_asks_for(job):
    from tallwide_service import create_app  # noqa: PLC0415 - the service is only needed here

    strict = Client(adapter=InProcessAdapter(validator(create_app())))
    assert strict.extractions(job) == Client().extractions(job)
    assert strict.limits()


def test_an_application_may_write_and_start_late():
    def application(_, start_response):
        def body():
            start_response("200 OK", JSON)(b"{")
            yield b"}"

        return body()

    assert Client(adapter=InProcessAdapter(application)).version() == {}


def test_what_an_application_returns_is_closed():
    class Body(list):
        closed = False

        def close(self):
            Body.closed = True

    def application(_, start_response):
        start_response("200 OK", JSON)
        return Body([b"{}"])

    Client(adapter=InProcessAdapter(application)).version()
    assert Body.closed


@pytest.mark.parametrize(("path", "arrives"), [("/a%20b", "/a b"), ("/%C3%A9", "/\u00c3\u00a9"), ("/a%2Fb", "/a/b")])
def test_a_path_arrives_unquoted_in_latin_1(path, arrives):
    seen = {}

    def application(environ, start_response):
        seen.update(environ)
        start_response("200 OK", JSON)
        return [b"{}"]

    Client("http://127.0.0.1/base/", adapter=InProcessAdapter(application))._transport.get(path + "?x=1%202")
    assert seen["PATH_INFO"] == "/base" + arrives
    assert seen["QUERY_STRING"] == "x=1%202"
    assert "HTTP_USER_AGENT" in seen
