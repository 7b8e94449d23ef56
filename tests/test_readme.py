"""The README tells the truth: its call, its code, its table and its picture are those of this service.

`python tests/test_readme.py` writes the parts that the service makes anew: the answer and the picture.
"""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
PICTURE = ROOT / "tests" / "golden" / "heron-overlay.svg"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(language: str) -> list[str]:
    return [body for kind, body in BLOCK.findall(README.read_text(encoding="utf-8")) if kind == language]


def call() -> tuple[str, dict]:
    """Return the path and the job of the README's curl call."""
    command = next(block for block in blocks("sh") if block.startswith("curl"))
    words = shlex.split(command.replace("\\\n", " "))
    url = next(word for word in words if word.startswith("http"))
    body = words[words.index("-d") + 1]
    return "/" + url.split("/", 3)[3], json.loads(body)


def answer() -> dict:
    from tallwide_service import create_app  # noqa: PLC0415 - this file also runs as a script

    path, job = call()
    return create_app().test_client().post(path, json=job).json


def picture() -> bytes:
    from tallwide import Client  # noqa: PLC0415
    from tallwide.demo import demo_job  # noqa: PLC0415

    return Client().overlay(demo_job("heron"))


def test_the_calls_answer_is_the_services_answer():
    assert json.loads(blocks("json")[0]) == answer()


def test_the_picture_is_the_one_that_the_demo_makes():
    assert PICTURE.read_bytes() == picture()
    assert PICTURE.relative_to(ROOT).as_posix() in README.read_text(encoding="utf-8")


def test_the_python_example_of_the_client_runs_and_prints_what_it_says(capsys, monkeypatch):
    monkeypatch.delenv("TALLWIDE_URL", raising=False)
    code = next(block for block in blocks("python") if "Client" in block)
    expected = [line.split("# ", 1)[1] for line in code.splitlines() if line.startswith("print") and "# " in line]
    assert expected
    exec(compile(code, str(README), "exec"), {})  # noqa: S102 - the README's own code
    assert capsys.readouterr().out.splitlines() == expected


def test_the_table_of_endpoints_lists_what_the_service_serves():
    listed = set(re.findall(r"^\| `(?:GET|POST) ([^`]+)`", README.read_text(encoding="utf-8"), re.MULTILINE))
    document = json.loads((ROOT / "openapi" / "openapi.json").read_text(encoding="utf-8"))
    assert listed == set(document["paths"]) | {"/openapi.json", "/docs"}


def test_no_line_of_the_documents_names_a_machine():
    for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        assert not re.search(r"(?<![\w.])/(?:home|root|work|Users)/", text), name


def written(document: dict) -> str:
    """Return an answer with one line a member."""
    lines = [f" {json.dumps(name)}: {json.dumps(value, ensure_ascii=False)}" for name, value in document.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


def main() -> None:
    """Write the answer and the picture anew."""
    text = README.read_text(encoding="utf-8")
    old = blocks("json")[0]
    README.write_text(text.replace(old, written(answer())), encoding="utf-8")
    PICTURE.parent.mkdir(exist_ok=True)
    PICTURE.write_bytes(picture())


if __name__ == "__main__":
    main()
