"""The shape of the tree: which part may import which, and what the core never touches."""

import ast
import graphlib
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).resolve().parent.parent
SOURCES = (ROOT / "sdk", ROOT / "service")

# The parts of the SDK that know of transports, terminals and the demo; everything else of it is vocabulary.
SDK_EDGES = (
    *(
        "tallwide.client",
        "tallwide.batch",
        "tallwide.clips",
        "tallwide.inprocess",
        "tallwide.transport",
        "tallwide.demo",
        "tallwide.media_file",
    ),
    *(
        "tallwide.cli",
        "tallwide.cli_batch",
        "tallwide.cli_handing_over",
        "tallwide.cli_catalogue",
        "tallwide.farm",
        "tallwide.__main__",
    ),
    "tallwide.demo_day",
)
FOUNDATIONS = ("tallwide_service.errors", "tallwide_service.limits", "tallwide_service.identity")

# Whatever tells the time, the place, the machine or chance: a core that asks none of them answers the same every time.
WORLD = {
    *("asyncio", "datetime", "getpass", "glob", "io", "locale", "logging", "multiprocessing", "os", "pathlib"),
    *("platform", "random", "secrets", "shutil", "signal", "socket", "sqlite3", "ssl", "subprocess", "sys", "tempfile"),
    *("threading", "time", "urllib", "uuid", "zoneinfo"),
}


class Import(NamedTuple):
    """One imported module: where, and whether it is loaded together with the module that names it."""

    line: int
    module: str
    at_load: bool


def module_name(path: Path, source: Path) -> str:
    parts = path.relative_to(source).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {
    module_name(path, source): ast.parse(path.read_text(encoding="utf-8"), str(path))
    for source in SOURCES
    for path in sorted(source.rglob("*.py"))
    if "__pycache__" not in path.parts
}


def part_of(module: str, *parts: str) -> bool:
    return any(module == part or module.startswith(f"{part}.") for part in parts)


# `tallwide` itself is left out: as a prefix it would name everything.
VOCABULARY = tuple(
    name for name in MODULES if part_of(name, "tallwide") and name != "tallwide" and not part_of(name, *SDK_EDGES)
)


def imports(tree: ast.Module) -> list[Import]:
    """Every import; those under TYPE_CHECKING, which never run, are left out."""
    return list(_imports(tree, at_load=True))


def _imports(node: ast.AST, *, at_load: bool) -> Iterator[Import]:
    for child in ast.iter_child_nodes(node):
        match child:
            case ast.Import():
                yield from (Import(child.lineno, alias.name, at_load) for alias in child.names)
            case ast.ImportFrom():
                assert child.level == 0, f"line {child.lineno}: imports are absolute"
                for alias in child.names:
                    inner = f"{child.module}.{alias.name}"
                    yield Import(child.lineno, inner if inner in MODULES else str(child.module), at_load)
            case ast.If(test=ast.Name(id="TYPE_CHECKING")):
                yield from (each for other in child.orelse for each in _imports(other, at_load=at_load))
            case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.Lambda():
                yield from _imports(child, at_load=False)
            case _:
                yield from _imports(child, at_load=at_load)


def strays(*parts: str, without: tuple[str, ...] = (), may: tuple[str, ...], only_at_load: bool = False) -> list[str]:
    """What modules of these parts import beyond the standard library and the packages that they may."""
    allowed = {*sys.stdlib_module_names}
    return [
        f"{name}:{each.line} imports {each.module}"
        for name, tree in MODULES.items()
        if part_of(name, *parts) and not part_of(name, *without)
        for each in imports(tree)
        if (each.at_load or not only_at_load)
        and each.module.partition(".")[0] not in allowed
        and not part_of(each.module, *may)
    ]


def test_the_modules_of_both_folders_are_found():
    assert {"tallwide.job", "tallwide_service.core.extraction", "tallwide_service.api.app"} <= set(MODULES)


def test_the_vocabulary_imports_the_standard_library_and_itself():
    assert strays(*VOCABULARY, may=("tallwide",)) == []


def test_the_sdk_loads_with_requests_alone():
    """A host application on a farm keeps its own numpy: the SDK brings none and asks for none at import."""
    may = ("tallwide", "requests", "urllib3")
    assert strays("tallwide", without=("tallwide.demo",), may=may, only_at_load=True) == []


def test_only_transport_command_line_and_demo_know_the_service():
    knowing = {
        name
        for name, tree in MODULES.items()
        if part_of(name, "tallwide")
        for each in imports(tree)
        if part_of(each.module, "tallwide_service")
    }
    assert knowing <= {
        "tallwide.client",
        "tallwide.cli",
        "tallwide.cli_catalogue",
        "tallwide.inprocess",
        "tallwide.demo",
    }


@pytest.mark.parametrize(
    ("part", "may"),
    [
        (FOUNDATIONS, (*FOUNDATIONS, *VOCABULARY, "orjson", "rfc8785")),
        (("tallwide_service.core",), ("tallwide_service.core", *FOUNDATIONS, *VOCABULARY, "numpy", "shapely")),
        (
            ("tallwide_service.render",),
            (
                *("tallwide_service.render", "tallwide_service.core"),
                *(*FOUNDATIONS, *VOCABULARY, "numpy", "shapely", "PIL", "reportlab", "segno", "zlib_ng"),
            ),
        ),
        (
            ("tallwide_service.arrow",),
            ("tallwide_service.arrow", "tallwide_service.core", *FOUNDATIONS, *VOCABULARY, "numpy", "pyarrow"),
        ),
        (
            ("tallwide_service.catalogue",),
            (
                *("tallwide_service.catalogue", "tallwide_service.arrow", "tallwide_service.core"),
                "tallwide_service.render.svg",
                *("tallwide_service.api.body", "tallwide_service.api.problems"),
                *(*FOUNDATIONS, *VOCABULARY, "numpy", "orjson", "pyarrow", "distributed"),
            ),
        ),
    ],
    ids=["foundations", "core", "render", "arrow", "catalogue"],
)
def test_imports_point_one_way(part, may):
    assert strays(*part, may=may) == []


def test_nothing_of_the_service_but_its_start_imports_the_api():
    importing = {
        name
        for name, tree in MODULES.items()
        if not part_of(name, "tallwide_service.api")
        for each in imports(tree)
        if part_of(each.module, "tallwide_service.api")
    }
    assert importing <= {
        "tallwide_service",
        "tallwide_service.serving",
        "tallwide_service.front",
        "tallwide_service.catalogue.run",
    }


def test_no_modules_import_each_other_in_a_circle():
    graph = {
        name: {each.module for each in imports(tree) if each.at_load and each.module in MODULES and each.module != name}
        for name, tree in MODULES.items()
    }
    assert len(list(graphlib.TopologicalSorter(graph).static_order())) == len(MODULES)


def reads_of_the_world(tree: ast.Module) -> Iterator[str]:
    for each in imports(tree):
        if each.module.partition(".")[0] in WORLD:
            yield f"line {each.line} imports {each.module}"
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Name(id="open" | "input" | "print" | "eval" | "exec" | "__import__" as name)):
                yield f"line {node.lineno} calls {name}"
            case ast.Attribute(value=ast.Name(id="np" | "numpy"), attr="random" | "load" | "save" | "fromfile" as name):
                yield f"line {node.lineno} uses numpy's {name}"
            case ast.Global():
                yield f"line {node.lineno} keeps state in a global"


def test_the_core_reads_no_clock_no_environment_no_file_and_no_chance():
    found = [
        f"{name}: {read}"
        for name, tree in MODULES.items()
        if part_of(name, "tallwide_service.core")
        for read in reads_of_the_world(tree)
    ]
    assert found == []


@pytest.mark.parametrize(
    "source",
    ["import time", "def f():\n    from os import environ", "x = open('a')", "import numpy as np\nnp.random.rand()"],
)
def test_a_read_of_the_world_would_be_seen(source):
    assert list(reads_of_the_world(ast.parse(source)))


def loaded_by(statements: str) -> set[str]:
    """Top-level packages in a new interpreter after these statements."""
    ask = "import json, sys; print(json.dumps(sorted({name.partition('.')[0] for name in sys.modules})))"
    script = f"{statements}\n{ask}"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True, text=True, timeout=60)
    return set(json.loads(done.stdout))


WEB = {"flask", "flask_smorest", "flask_cors", "marshmallow", "apispec", "werkzeug", "jinja2", "requests", "urllib3"}
ONE_JOB = """
from tallwide.job import Job
from tallwide.wire import from_wire
from tallwide_service.core import margins, orientation, solve
raster = {"width": 4800, "height": 3200}
job = from_wire(Job, {"capture": {"raster": raster}, "deliverables": [{"label": "wide", "aspect": "16:9"}]})
margins(job, solve(job))
orientation(job)
"""


def test_the_core_imports_and_works_without_any_web_library():
    loaded = loaded_by(ONE_JOB)
    assert "tallwide_service" in loaded
    assert loaded & (WEB | {"granian", "gunicorn", "PIL", "orjson"}) == set()


def test_mapping_and_handoff_on_a_farm_need_the_standard_library_alone():
    loaded = loaded_by("import tallwide.mapping, tallwide.handoff, tallwide.decision, tallwide.wire")
    assert loaded & (WEB | {"numpy", "shapely", "PIL", "tallwide_service"}) == set()


def test_no_module_is_named_for_having_no_subject():
    vague = {"util", "utils", "common", "helper", "helpers", "misc", "shared", "stuff"}
    names = {path.stem for folder in (*SOURCES, ROOT / "tests") for path in folder.rglob("*.py")}
    assert names & vague == set()


# Folders of one person's or one build machine's disk; what every system has (/tmp, /usr, /etc) may be named.
MACHINE_PATH = re.compile(r"(?<![\w.:/~$}])/(?:home|root|Users|work|workspace|mnt|media|private|builds?)/[\w.]")
PARTS_OF_THE_PROJECT = (
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", "Dockerfile", "compose.yaml"),
    *(".ci", ".dockerignore", ".editorconfig", ".gitignore", ".hadolint.yaml", ".pre-commit-config.yaml"),
    *("openapi", "sdk", "service", "tests"),
)


def text_files() -> Iterator[tuple[Path, str]]:
    for part in PARTS_OF_THE_PROJECT:
        top = ROOT / part
        for path in [top] if top.is_file() else sorted(top.rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                try:
                    yield path, path.read_text(encoding="utf-8")
                except UnicodeDecodeError:
                    continue  # a picture or a font


def test_no_text_file_names_a_path_of_one_machine():
    found = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:100]}"
        for path, text in text_files()
        for number, line in enumerate(text.splitlines(), start=1)
        if MACHINE_PATH.search(line)
    ]
    assert found == []


@pytest.mark.parametrize(
    "line", ["open('/home" + "/ada/x')", "cd /" + "work/x", "see /" + "Users/ada/x", "PATH=/" + "root/.x"]
)
def test_a_path_of_one_machine_would_be_seen(line):
    assert MACHINE_PATH.search(line)
