"""The Grafana dashboards: right in form, and true of this service; Prometheus (Debian's) scrapes it and answers them.

No Grafana runs here. The form is held against `dashboard.schema.json`, every number of the service against what
`/metrics` says, every expression against a Prometheus that has scraped the running service, and every column and
address of the other dashboard against the running table view.
"""

from __future__ import annotations

import base64
import json
import re
import subprocess
import time
import zlib
from pathlib import Path

import jsonschema
import pytest
import requests
from prometheus_client.parser import text_string_to_metric_families

from running import free_port, running
from tallwide_service.api.documented import EXAMPLE_JOB, packed

FOLDER = Path(__file__).parents[2] / "service" / "dashboards"
SCHEMA = json.loads((Path(__file__).parent / "dashboard.schema.json").read_text(encoding="utf-8"))
DASHBOARDS = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("*.json"))}
SERVICE, FRAMING = DASHBOARDS["tallwide"], DASHBOARDS["framing"]
METRIC = re.compile(r"\b(?:tallwide|process)_[a-z_]+\b")
LABELS = re.compile(r"\{([^{}]*)\}|\bby \(([^)]*)\)")


def panels(dashboard):
    return dashboard["panels"]


def targets(dashboard):
    return [target for panel in panels(dashboard) for target in panel.get("targets", [])]


def expressions():
    return [target["expr"] for target in targets(SERVICE)]


def columns_of(panel):
    return [column["selector"] for target in panel.get("targets", []) for column in target["columns"]]


# ---- the form


@pytest.mark.parametrize("dashboard", DASHBOARDS.values(), ids=DASHBOARDS)
def test_a_dashboard_is_as_grafana_reads_it(dashboard):
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.Draft202012Validator(SCHEMA).validate(dashboard)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda board: board.pop("uid"),
        lambda board: board["panels"][0].pop("gridPos"),
        lambda board: board["panels"][0].update(type="unheard of"),
        lambda board: board["panels"][0]["fieldConfig"]["defaults"]["thresholds"]["steps"][0].update(value=1),
        lambda board: board["templating"]["list"][0].update(name="two words"),
    ],
)
def test_the_schema_refuses_what_grafana_would_not_understand(spoil):
    board = json.loads(json.dumps(SERVICE))
    spoil(board)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(SCHEMA).validate(board)


@pytest.mark.parametrize("dashboard", DASHBOARDS.values(), ids=DASHBOARDS)
def test_panels_have_ids_of_their_own_and_lie_beside_each_other(dashboard):
    numbers = [panel["id"] for panel in panels(dashboard)]
    assert len(set(numbers)) == len(numbers)
    cells: dict[tuple[int, int], int] = {}
    for panel in panels(dashboard):
        place = panel["gridPos"]
        assert place["x"] + place["w"] <= 24
        for x in range(place["x"], place["x"] + place["w"]):
            for y in range(place["y"], place["y"] + place["h"]):
                assert cells.setdefault((x, y), panel["id"]) == panel["id"], panel["title"]


@pytest.mark.parametrize("dashboard", DASHBOARDS.values(), ids=DASHBOARDS)
def test_every_variable_that_is_used_is_there_and_the_other_way_round(dashboard):
    variables = {each["name"] for each in dashboard["templating"]["list"]}
    used = set(re.findall(r"\$\{?([A-Za-z][A-Za-z0-9]*)\}?", json.dumps(dashboard["panels"])))
    assert used == variables
    assert len({dashboard["uid"] for dashboard in DASHBOARDS.values()}) == len(DASHBOARDS)


# ---- the numbers of the service


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    """The running service after some calls, good and bad."""
    with running(log=tmp_path_factory.mktemp("service") / "log") as started:
        address = f"http://127.0.0.1:{started.port}"
        call(address)
        yield address


def answered(url: str, within_s: float = 60) -> requests.Response:
    """Return the first 200 of an address."""
    until = time.monotonic() + within_s
    while True:
        try:
            response = requests.get(url, timeout=5)
            if response.ok:
                return response
        except requests.ConnectionError:
            pass
        assert time.monotonic() < until, url
        time.sleep(0.1)


def call(address: str) -> None:
    for _ in range(5):
        for endpoint in ("extractions", "margins", "orientation", "overlay"):
            assert requests.post(f"{address}/v1/{endpoint}", json=EXAMPLE_JOB, timeout=30).status_code == 200
    assert requests.post(f"{address}/v1/margins", json={"capture": {}}, timeout=30).status_code == 422
    assert requests.post(f"{address}/v1/margins", data=b"{", timeout=30).status_code in (400, 415)
    assert requests.get(f"{address}/v1/nothing", timeout=30).status_code == 404


@pytest.fixture(scope="module")
def metrics(service):
    """Names that `/metrics` has, each with the labels of its samples, from Prometheus's own reader of the format."""
    text = requests.get(f"{service}/metrics", timeout=10).text
    names: dict[str, set[str]] = {}
    for family in text_string_to_metric_families(text):
        kind = {"counter": ("_total",), "histogram": ("_bucket", "_sum", "_count")}.get(family.type, ("",))
        for suffix in kind:
            names.setdefault(family.name + suffix, set())
        for sample in family.samples:
            names.setdefault(sample.name, set()).update(sample.labels)
    return names


def test_every_metric_and_label_of_the_dashboard_is_one_that_the_service_has(metrics):
    for expression in expressions():
        found = METRIC.findall(expression)
        assert found, expression
        for name in found:
            assert name in metrics, f"{name} in {expression}"
    for name, filters in re.findall(r"\b((?:tallwide|process)_[a-z_]+)\{([^{}]*)\}", " ".join(expressions())):
        for label in re.findall(r"([a-z]+)=", filters):
            # A counter that nothing has happened to has no sample yet, so no labels either; a scrape adds `job`.
            assert label == "job" or label in metrics[name] or not metrics[name], f"{name}{{{label}}}"


def test_every_metric_that_the_service_has_of_its_own_is_on_the_dashboard(metrics):
    shown = set(METRIC.findall(" ".join(expressions())))
    own = {
        name for name in metrics if name.startswith("tallwide_") and not name.endswith(("_created", "_sum", "_count"))
    }
    assert own - shown == set()


def test_the_metrics_are_written_as_prometheus_wants_them(service):
    """`promtool check metrics` reads them as strictly as it can, names and help texts included."""
    text = requests.get(f"{service}/metrics", timeout=10).content
    checked = subprocess.run(["promtool", "check", "metrics"], input=text, capture_output=True, check=False, timeout=60)
    complaints = [
        line for line in checked.stderr.decode().splitlines() if line.startswith("tallwide_") or checked.returncode == 1
    ]
    assert complaints == []


@pytest.fixture(scope="module")
def prometheus(service, tmp_path_factory):
    """Debian's Prometheus, which scrapes the service twice a second; its address."""
    folder, port = tmp_path_factory.mktemp("prometheus"), free_port()
    target = service.removeprefix("http://")
    (folder / "prometheus.yml").write_text(
        "global: {scrape_interval: 500ms, scrape_timeout: 400ms}\n"
        f"scrape_configs: [{{job_name: tallwide, static_configs: [{{targets: ['{target}']}}]}}]\n",
        encoding="utf-8",
    )
    command = [
        "prometheus",
        f"--config.file={folder / 'prometheus.yml'}",
        f"--storage.tsdb.path={folder / 'data'}",
        f"--web.listen-address=127.0.0.1:{port}",
    ]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
        address = f"http://127.0.0.1:{port}"
        try:
            answered(f"{address}/-/ready")
            until = time.monotonic() + 60
            while not evaluated(address, "count_over_time(tallwide_requests_total[1m]) >= 3"):
                call(service)
                assert time.monotonic() < until, (folder / "log").read_text()
                time.sleep(0.3)
            yield address
        finally:
            process.terminate()
            process.wait(30)


def evaluated(address: str, expression: str) -> list:
    """Return the series of an expression now, its variables filled in as Grafana would."""
    filled = expression.replace("$__rate_interval", "30s").replace("$route", ".*").replace("$job", ".*")
    response = requests.get(f"{address}/api/v1/query", params={"query": filled}, timeout=30).json()
    assert response["status"] == "success", f"{filled}: {response}"
    return response["data"]["result"]


def test_prometheus_finds_the_service_up(prometheus):
    (up,) = evaluated(prometheus, "up")
    assert up["metric"]["job"] == "tallwide"
    assert up["value"][1] == "1"


def test_prometheus_answers_every_expression_of_the_dashboard(prometheus):
    rare = ("deadlines", "gate_")  # nothing was late and nobody was turned away
    for expression in expressions():
        series = evaluated(prometheus, expression)
        assert series or any(name in expression for name in rare) or "5.." in expression, expression


def test_what_prometheus_counts_is_what_was_asked(service, prometheus):
    """Refusals by kind and frames by endpoint, scraped, against the calls that were made."""
    call(service)
    time.sleep(1.5)
    metric = 'tallwide_computed_items_total{route="/v1/extractions"}'
    frames = float(evaluated(prometheus, metric)[0]["value"][1])
    asked = float(evaluated(prometheus, 'tallwide_requests_total{route="/v1/extractions",status="200"}')[0]["value"][1])
    assert frames == asked * len(EXAMPLE_JOB["deliverables"])
    kinds = {each["metric"]["kind"] for each in evaluated(prometheus, "tallwide_refused_input_total")}
    assert "invalid-job" in kinds


# ---- the table view


def unpacked(text: str) -> dict:
    return json.loads(zlib.decompress(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))))


def variable(dashboard: dict, name: str) -> str:
    return next(each["query"] for each in dashboard["templating"]["list"] if each["name"] == name)


@pytest.mark.parametrize(
    "panel", [each for each in panels(FRAMING) if "targets" in each], ids=lambda each: each["title"]
)
def test_every_address_and_column_of_the_job_dashboard_is_one_that_the_service_has(service, panel):
    for target in panel["targets"]:
        address = target["url"].replace("${service}", service).replace("${job}", variable(FRAMING, "job"))
        rows = requests.get(address, timeout=30).json()
        for column in target["columns"]:
            cells = [row[column["selector"]] for row in rows]
            kinds = {"string": str, "number": int | float, "boolean": bool}
            assert all(cell is None or isinstance(cell, kinds[column["type"]]) for cell in cells), column
            assert any(cell is not None for cell in cells) or column["selector"] in ("minutes", "megabytes"), column
    for override in panel["fieldConfig"]["overrides"]:
        assert override["matcher"]["options"] in columns_of(panel)


def test_units_of_columns_are_those_of_their_names():
    units = {"_px": "suffix: px", "_pct": "percent", "_mm": "lengthmm", "_deg": "degree"}
    for panel in panels(FRAMING):
        given = {
            override["matcher"]["options"]: each["value"]
            for override in panel.get("fieldConfig", {}).get("overrides", [])
            for each in override["properties"]
            if each["id"] == "unit"
        }
        if panel["type"] == "table":
            for column in columns_of(panel):
                for ending, unit in units.items():
                    if column.endswith(ending) and column != "rolls_deg":
                        assert given[column] == unit, column


def test_the_dashboards_picture_and_rows_come_for_the_job_that_stands_in_it(service):
    job = unpacked(variable(FRAMING, "job"))
    text = next(panel for panel in panels(FRAMING) if panel["type"] == "text")["options"]["content"]
    address = re.search(r'src="([^"]+)"', text).group(1)
    address = address.replace("${service}", service).replace("${job}", packed(job))
    picture = requests.get(address, timeout=30)
    assert picture.headers["Content-Type"].startswith("image/svg+xml")
    assert picture.headers["ETag"]
    for deliverable in job["deliverables"]:
        assert deliverable["label"] in picture.text
