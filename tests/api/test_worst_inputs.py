"""The heaviest requests that are accepted: none is refused, each ends by its deadline, and its place is free then.

How long they take without one is measured by `tests/benchmarks/worst_inputs.py`.
"""

from __future__ import annotations

import json
import time

import pytest

from tallwide_service import create_app
from tallwide_service.api.entrance.layer import computes
from tallwide_service.limits import LIMITS
from tallwide_service.settings import Settings
from worst_jobs import Heavy, heavy_requests

DEADLINE_S = 0.2
# From the deadline to the answer: what watches looks every 0.05 s, and one C call is never cut. Other work on the
# machine comes on top.
SPARE_S = 2.0
REQUESTS = list(heavy_requests())


@pytest.fixture(scope="module")
def app():
    """A service whose deadline most of them do not keep: that none is refused is seen before it is over."""
    return create_app(Settings(log=False, metrics=False, deadline_s=DEADLINE_S, threads=1))


def test_every_endpoint_that_takes_a_job_or_a_document_has_one(app):
    document = app.test_client().get("/openapi.json").json
    wanted = {path for path, methods in document["paths"].items() if "post" in methods and computes(path)}
    named = {each.path for each in REQUESTS}
    for path in wanted:
        if "{form}" in path:
            forms = next(one for one in document["paths"][path]["post"]["parameters"] if one["name"] == "form")
            assert {path.replace("{form}", form) for form in forms["schema"]["enum"]} <= named
        else:
            assert path in named


# What ends late work is swallowed, and told again, where it hits a destructor or a callback of the garbage collector:
# hypothesis has one, in whatever process its tests have run.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("request_", REQUESTS, ids=lambda each: f"{each.path}: {each.name}")
def test_the_heaviest_requests_are_accepted_and_end_in_time(app, request_: Heavy):
    assert len(request_.body) <= LIMITS.body_bytes or request_.path == "/v1/batch"
    began_s = time.thread_time()
    response = app.test_client().post(request_.path, data=request_.body, headers=request_.headers)
    answer = response.get_data()
    assert time.thread_time() - began_s < DEADLINE_S + SPARE_S
    if request_.path == "/v1/batch":
        assert response.status_code == 200
        assert json.loads(answer.splitlines()[-1])["complete"]
    else:
        assert response.status_code == 200 or json.loads(answer)["type"] == "/problems/out-of-time", answer[:500]
    entrance = app.extensions["tallwide-entrance"]
    assert entrance.places.taken == 0
