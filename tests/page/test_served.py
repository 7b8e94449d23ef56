"""The page's files as they are served: under a strict policy, from this origin alone."""

from __future__ import annotations

from tallwide_service.api.page import FILES, PAGE_POLICY


def test_the_page_and_its_parts_are_served_under_a_policy_that_lets_nothing_in_from_outside(app):
    client = app.test_client()
    for path in ("/", *(f"/page/{name}" for name in FILES if name != "index.html")):
        response = client.get(path)
        assert response.status_code == 200
        assert response.headers["Content-Security-Policy"] == PAGE_POLICY
        assert "unsafe" not in PAGE_POLICY
        again = client.get(path, headers={"If-None-Match": response.headers["ETag"]})
        assert (again.status_code, again.data) == (304, b"")
    assert client.get("/page/__init__.py").status_code == 404
    assert client.get("/page/index.html").status_code == 404


def test_no_part_of_the_page_names_another_origin_or_brings_script_or_style_inline():
    for name, (body, _) in FILES.items():
        text = body.decode("utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in text, name
        assert "https:" not in text, name
        assert "//cdn" not in text, name
        if name.endswith(".html"):
            assert "<style" not in text, name
            assert "<script>" not in text, name
            assert " style=" not in text, name
            assert " on" + "click=" not in text, name
