"""The image and the proxy, proven without a container engine.

The Dockerfile's own steps are performed in a clean folder; what comes out runs as a user without rights on a tree that
nobody can write to. The proxy's own configuration runs in front of three replicas, of which one after another fails.
"""

import contextlib
import functools
import http.client
import inspect
import io
import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import urllib.parse
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import compose_spec
import pytest
import yaml
from dockerfile_parse import DockerfileParser

from proxied import nginx, proxy_configuration, proxy_running
from running import Running, free_port, running, wait_until_ready
from tallwide import Client
from tallwide_service.serving import STOP_S
from tallwide_service.settings import Settings

ROOT = Path(__file__).resolve().parent.parent
JOB = {
    "capture": {"raster": {"width": 4800, "height": 3200}},
    "deliverables": [{"label": "wide", "aspect": "16:9"}, {"label": "tall", "raster": {"width": 1080, "height": 1920}}],
}
BODY = json.dumps(JOB).encode()


# --- the Dockerfile as text ---------------------------------------------------------------------------------------


@functools.cache
def stages() -> list[list[tuple[str, str]]]:
    """The Dockerfile's instructions with their values, stage by stage, without comments."""
    parser = DockerfileParser(fileobj=io.BytesIO((ROOT / "Dockerfile").read_bytes()))
    found: list[list[tuple[str, str]]] = []
    for step in parser.structure:
        if step["instruction"] == "FROM":
            found.append([])
        if step["instruction"] != "COMMENT":
            found[-1].append((step["instruction"], step["value"]))
    return found


def values(stage: list[tuple[str, str]], instruction: str) -> list[str]:
    return [value for name, value in stage if name == instruction]


def environment(stage: list[tuple[str, str]]) -> dict[str, str]:
    pairs = (pair for value in values(stage, "ENV") for pair in shlex.split(value))
    return dict(pair.split("=", 1) for pair in pairs)


def health_check() -> list[str]:
    return json.loads(values(stages()[-1], "HEALTHCHECK")[0].partition("CMD ")[2])


def test_hadolint_finds_nothing_in_the_dockerfile():
    hadolint = Path(sys.executable).with_name("hadolint")
    done = subprocess.run([hadolint, "Dockerfile"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


def test_the_image_has_two_stages_on_one_base_pinned_by_tag():
    bases = [values(stage, "FROM")[0].split()[0] for stage in stages()]
    assert len(bases) == 2
    assert set(bases) == {bases[0]}
    assert re.fullmatch(r"python:3\.13-slim-\w+", bases[0])


def test_the_image_runs_as_nobody_in_particular_and_stops_on_sigterm():
    last = stages()[-1]
    assert values(last, "USER") == ["10001:10001"]
    assert values(last, "EXPOSE") == ["8080"]
    assert values(last, "STOPSIGNAL") == ["SIGTERM"]
    assert json.loads(values(last, "CMD")[0]) == ["tallwide", "serve", "--host", "0.0.0.0", "--port", "8080"]  # noqa: S104
    assert health_check()[0] == "python"


def test_the_last_stage_runs_nothing_and_takes_one_folder():
    last = stages()[-1]
    assert values(last, "RUN") == []
    assert values(last, "COPY") == ["--from=build /opt/tallwide /opt/tallwide"]


def test_pip_keeps_no_cache_in_any_step():
    steps = [step for run in values(stages()[0], "RUN") for step in run.split("&&") if "-m pip" in step]
    assert len(steps) == 2
    assert all("--no-cache-dir" in step for step in steps)


def test_what_the_image_copies_is_all_that_the_build_context_holds():
    lines = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()
    rules = [line for line in lines if line and not line.startswith("#")]
    assert rules[0] == "*"
    let_in = {rule[1:].rstrip("/") for rule in rules if rule.startswith("!")}
    copied = {source for value in values(stages()[0], "COPY") for source in value.split()[:-1]}
    assert let_in == copied


# --- the Dockerfile as steps ----------------------------------------------------------------------------------------


class Box:
    """A folder that stands for the image's root: its absolute paths are taken to lie in here."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.folder = Path("/")

    def inside(self, text: str) -> str:
        """Return text with the image's paths in it moved into the box."""
        return re.sub(r"(?<![\w.$}/])/(opt|src|tmp|wheels)\b", rf"{self.root}/\1", text)

    def path(self, written: str) -> Path:
        return Path(self.inside(str(self.folder / written)))

    def perform(self, stage: list[tuple[str, str]], python: Path) -> None:
        """Perform WORKDIR, COPY and RUN of a stage."""
        for name, value in stage:
            if name == "WORKDIR":
                self.folder = self.folder / value
                self.path(".").mkdir(parents=True, exist_ok=True)
            elif name == "COPY":
                *sources, target = value.split()
                for source in sources:
                    self.copy(ROOT / source, self.path(target))
            elif name == "RUN":
                self.run(value, python)

    def copy(self, source: Path, target: Path) -> None:
        if source.is_dir():
            ignored = shutil.ignore_patterns("__pycache__", "*.egg-info", "*.py[co]")
            shutil.copytree(source, target, ignore=ignored, dirs_exist_ok=True)
        else:
            shutil.copy(source, target)

    def run(self, command: str, python: Path) -> None:
        kept = {name: value for name, value in os.environ.items() if name.startswith(("PIP_", "SSL_", "LD_LIB"))}
        kept |= {"PATH": f"{python.parent}:/usr/bin:/bin", "HOME": str(self.root), "TMPDIR": str(self.root / "tmp")}
        done = subprocess.run(
            ["sh", "-e", "-c", self.inside(command)],
            cwd=self.path("."),
            env=kept,
            capture_output=True,
            text=True,
            check=False,
            timeout=600,
        )
        assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-4000:]


def others_may_enter(folder: Path) -> bool:
    return all(parent.stat().st_mode & 0o001 for parent in (folder, *folder.parents))


def base_python(box: Path) -> Path:
    """Return a Python with pip, as an image's base brings it: of the one at hand, or of a copy that all may enter."""
    prefix = Path(sys.base_prefix).resolve()
    version = f"python{sys.version_info.major}.{sys.version_info.minor}"
    if not others_may_enter(prefix):
        copy = box / "base"
        left_out = shutil.ignore_patterns("site-packages", "__pycache__", "test", "idlelib", "share", "include", "*.a")
        shutil.copytree(prefix, copy, symlinks=True, ignore=left_out)
        prefix = copy
    subprocess.run([prefix / "bin" / version, "-m", "venv", box / "builder"], check=True, timeout=120)
    return box / "builder/bin/python"


def is_root() -> bool:
    return os.geteuid() == 0


@functools.cache
def may_mount() -> bool:
    return (
        is_root() and subprocess.run(["unshare", "--mount", "true"], capture_output=True, check=False).returncode == 0
    )


# $1 is the box. Everything is read-only but a fresh /tmp inside it, as `read_only: true` and `tmpfs: /tmp` have it.
READ_ONLY = """
mount --make-rprivate / && mount --bind "$1" "$1" && mount -o remount,bind,ro "$1" && mount -t tmpfs tmpfs "$1/tmp" &&
mount -o remount,bind,ro / && shift && exec "$@"
"""


def confined(box: Path, uid: int, gid: int) -> list[str]:
    """Return the command under which another runs as `docker run --user --read-only --cap-drop ALL` runs it.

    Where this kernel or this user may not mount, the tree is read-only by its modes alone; where the tests do not run
    as root, they run as a user without rights anyway.
    """
    if not is_root():
        return []
    rights = [f"--reuid={uid}", f"--regid={gid}", "--clear-groups", "--no-new-privs", "--inh-caps=-all"]
    mounted = ["unshare", "--mount", "sh", "-c", READ_ONLY, "sh", str(box)] if may_mount() else []
    return [*mounted, "setpriv", *rights, "--bounding-set=-all"]


def ask(port: int, method: str, path: str, body: bytes | None = None) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    try:
        connection.request(method, path, body, {"Content-Type": "application/json"} if body else {})
        response = connection.getresponse()
        return response.status, response.read()
    finally:
        connection.close()


@pytest.fixture
def box() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="image-"))
    folder.chmod(0o755)
    (folder / "tmp").mkdir()
    (folder / "tmp").chmod(0o1777)
    yield folder
    subprocess.run(["chmod", "-R", "u+w", folder], check=True)
    shutil.rmtree(folder)


WRITES = """
import pathlib, sys, tempfile
tempfile.TemporaryFile().close()
for place in sys.argv[1:]:
    try:
        pathlib.Path(place, "written").touch()
    except OSError:
        continue
    sys.exit(f"{place} can be written")
try:
    import pip
except ImportError:
    sys.exit(0)
sys.exit("pip is left in the environment")
"""


def test_the_dockerfiles_steps_give_a_service_for_any_user_on_a_read_only_tree(box):
    first, last = stages()
    image = Box(box)
    image.perform(first, base_python(box))
    for left_behind in ("src", "wheels", "builder"):
        shutil.rmtree(box / left_behind)
    subprocess.run(["chmod", "-R", "a-w", box / "opt"], check=True)
    box.chmod(0o555)

    port = str(free_port())
    variables = {name: image.inside(value) for name, value in environment(last).items()}
    variables["PATH"] = variables["PATH"].replace("$PATH", "/usr/bin:/bin")
    variables["TMPDIR"] = variables["HOME"]
    # A copied Python's own library, where it has one.
    variables["LD_LIBRARY_PATH"] = f"{box}/base/lib:{os.environ.get('LD_LIBRARY_PATH', '')}"
    command = [part.replace("8080", port) for part in json.loads(values(last, "CMD")[0])]
    check = [part.replace("8080", port) for part in health_check()]
    for uid, gid in ((10001, 10001), (1_000_660_000, 0)):
        runs = functools.partial(subprocess.Popen, env=variables, cwd=box / "tmp")
        as_user = confined(box, uid, gid)
        assert runs([*as_user, "python", "-c", WRITES, box / "opt/tallwide", box, "/", "/etc"]).wait(60) == 0
        assert runs([*as_user, *check], stderr=subprocess.DEVNULL).wait(60) == 1, "healthy before it runs"
        with runs([*as_user, *command]) as service:
            try:
                wait_until_ready(Running(service, int(port)))
                assert runs([*as_user, *check]).wait(60) == 0
                status, answer = ask(int(port), "POST", "/v1/extractions", BODY)
                assert status == 200
                assert len(json.loads(answer)["extractions"]) == 2
                service.send_signal(signal.SIGTERM)
                assert service.wait(30) == 0
            finally:
                service.kill()


# --- compose and the proxy ------------------------------------------------------------------------------------------


@functools.cache
def compose() -> dict:
    options = compose_spec.PyOptions(apply_merge=True)
    read = options.from_yaml((ROOT / "compose.yaml").read_text(encoding="utf-8"))
    read.validate()  # networks, volumes, configs and secrets that services name are there
    return json.loads(read.to_json())


def test_compose_puts_a_proxy_in_front_of_three_replicas():
    services = {name: service for name, service in compose()["services"].items() if not service.get("profiles")}
    assert set(services) == {"proxy", "tallwide"}
    assert services["tallwide"]["deploy"]["replicas"] == 3
    assert "ports" not in services["tallwide"]
    assert services["proxy"]["depends_on"]["tallwide"]["condition"] == "service_healthy"
    assert services["proxy"]["ports"] == ["127.0.0.1:8080:8080"]
    assert Path(ROOT, compose()["configs"]["proxy"]["file"]).is_file()


def test_replicas_reach_no_network_but_the_proxys():
    assert compose()["services"]["tallwide"]["networks"] == ["inside"]
    assert compose()["networks"]["inside"]["internal"] is True


def test_what_watches_is_a_profile_of_its_own_that_finds_every_replica_and_the_dashboard():
    """Their own files, read as they stand: what Prometheus asks is what the replicas serve."""
    services = compose()["services"]
    assert {name for name, service in services.items() if service.get("profiles") == ["watch"]} == {
        "prometheus",
        "grafana",
    }
    configs = {name: Path(ROOT, config["file"]) for name, config in compose()["configs"].items()}
    assert all(file.is_file() for file in configs.values())
    scrape = yaml.safe_load(configs["prometheus"].read_text(encoding="utf-8"))["scrape_configs"][0]
    assert scrape["dns_sd_configs"][0]["names"] == ["tallwide"]
    assert scrape["dns_sd_configs"][0]["port"] == 8080
    assert scrape.get("metrics_path", "/metrics") == "/metrics"
    source = yaml.safe_load(configs["data_source"].read_text(encoding="utf-8"))["datasources"][0]
    assert (source["uid"], source["url"]) == ("prometheus", "http://prometheus:9090")
    provider = yaml.safe_load(configs["dashboards"].read_text(encoding="utf-8"))["providers"][0]
    mounted = {each["source"]: each["target"] for each in services["grafana"]["configs"]}
    assert mounted["dashboard"].startswith(provider["options"]["path"] + "/")
    assert services["prometheus"]["networks"] == ["inside"]
    assert services["grafana"]["ports"] == ["127.0.0.1:3000:3000"]


@pytest.mark.parametrize("name", ["proxy", "tallwide", "prometheus", "grafana"])
def test_every_service_of_compose_has_no_rights_and_bounded_resources(name):
    service = compose()["services"][name]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert int(service["user"].partition(":")[0]) > 0
    assert [mount.partition(":")[0] for mount in service["tmpfs"]] == ["/tmp"]  # noqa: S108 - the container's own
    assert {"cpus", "memory", "pids"} <= set(service["deploy"]["resources"]["limits"])
    assert "privileged" not in service
    assert "latest" not in service["image"] or service["build"]


def test_timeouts_form_a_ladder():
    """Whoever waits longest gives up last, so that a caller hears a reason and not a silence."""
    text = (ROOT / "service/proxy/nginx.conf").read_text(encoding="utf-8")

    def of_proxy(name: str) -> float:
        return float(re.findall(rf"^ +{name} (\d+)s;", text, re.MULTILINE)[0])

    settings = Settings()
    longest_answer_s = settings.wait_s + settings.deadline_s
    one_hang_s, last_try_s = of_proxy("proxy_read_timeout"), of_proxy("proxy_next_upstream_timeout")
    _, sdk_s = inspect.signature(Client).parameters["timeout_s"].default
    compose_s = float(compose()["services"]["tallwide"]["stop_grace_period"].rstrip("s"))
    assert settings.deadline_s < longest_answer_s < one_hang_s < last_try_s
    assert last_try_s + one_hang_s < sdk_s, "a second replica's time ends before the SDK's"
    assert settings.drain_s + longest_answer_s < STOP_S < 30 < compose_s


@pytest.fixture
def replicas() -> Iterator[dict[int, subprocess.Popen]]:
    """Three replicas by their ports, each with its workers in a process group of its own."""
    environment = compose()["services"]["tallwide"]["environment"]
    with contextlib.ExitStack() as stack:
        started = [stack.enter_context(running(environment=environment)) for _ in range(3)]
        yield {service.port: service.process for service in started}


@pytest.fixture
def proxy(box, replicas) -> Iterator[int]:
    """The proxy in front of the replicas; its port."""
    port = free_port()
    configuration = proxy_configuration(box, port, list(replicas), hang_s=2)
    checked = subprocess.run(nginx(configuration, "-t"), capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr
    assert "[warn]" not in checked.stderr
    with proxy_running(configuration, port):
        yield port


def given_again(log: Path) -> list[int]:
    """Statuses of the calls that the proxy gave to more than one replica."""
    calls = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    return [call["status"] for call in calls if "," in call["upstream"]]


def test_a_replica_that_hangs_one_that_is_killed_and_one_that_is_stopped_lose_no_answer(replicas, proxy, box):
    hanging, killed, stopped = replicas.values()
    expected = ask(proxy, "POST", "/v1/extractions", BODY)
    assert expected[0] == 200

    cut_short = []

    def answers_while(event) -> list[tuple[int, bytes]]:
        """Answers to 300 calls, eight at a time; the event comes in their midst."""

        def call(number: int) -> tuple[int, bytes]:
            if number == 100:
                event()
            try:
                return ask(proxy, "POST", "/v1/extractions", BODY)
            except http.client.IncompleteRead:
                # The replica ended between an answer's head and its body. No proxy can mend that; the length tells
                # the caller, who asks again as the SDK does.
                cut_short.append(number)
                return ask(proxy, "POST", "/v1/extractions", BODY)

        with ThreadPoolExecutor(8) as callers:
            return list(callers.map(call, range(300)))

    wrong, seen, cut_after = [], [], []
    for event in (
        lambda: os.killpg(hanging.pid, signal.SIGSTOP),
        lambda: os.killpg(killed.pid, signal.SIGKILL),
        lambda: stopped.send_signal(signal.SIGTERM),
    ):
        wrong += [answer for answer in answers_while(event) if answer != expected]
        seen.append(given_again(box / "calls.log"))
        cut_after.append(len(cut_short))
        os.killpg(hanging.pid, signal.SIGCONT)
        wait_until_ready(Running(hanging, next(iter(replicas))))
    assert wrong == []
    assert stopped.wait(30) == 0
    assert 0 < len(seen[0]) < len(seen[1]), "no call had to be given to another replica: nothing was proven"
    assert set(seen[2]) == {200}
    assert cut_after[2] == cut_after[1], "a replica that is asked to stop finishes what it has begun"
    assert cut_after[1] <= 16, "more than was under way when a replica hung or was killed"


def test_what_is_too_large_or_too_long_is_refused_by_the_service_not_by_the_proxy(proxy):
    for method, path, body, status in (
        ("POST", "/v1/extractions", b" " * 1_000_000, 413),
        ("GET", "/v1/extractions?job=" + "A" * 8_000, None, 400),
    ):
        got, answer = ask(proxy, method, path, body)
        assert got == status
        assert json.loads(answer)["request_id"]


def resolved(base: str, reference: str) -> str:
    return urllib.parse.urljoin(f"http://x{base}", reference).removeprefix("http://x")


def test_under_a_sub_path_every_link_holds_and_no_caller_can_bend_it(proxy):
    status, page = ask(proxy, "GET", "/framing/")
    assert status == 200
    linked = re.findall(r'(?:href|src)="([^"#]+)"', page.decode())
    assert len(linked) > 2
    for reference in linked:
        path = resolved("/framing/", reference)
        assert path.startswith("/framing/"), reference
        assert ask(proxy, "GET", path)[0] in (200, 308), path
    assert ask(proxy, "GET", resolved("/framing/docs/", "../openapi.json"))[0] == 200

    status, answer = ask(proxy, "POST", "/framing/v1/extractions", b"{}")
    problem = json.loads(answer)
    assert (status, problem["instance"]) == (422, "/framing/v1/extractions")
    assert problem["type"] == "/framing/problems/invalid-job"
    assert ask(proxy, "GET", problem["type"])[0] == 200

    connection = http.client.HTTPConnection("127.0.0.1", proxy, timeout=30)
    connection.request("POST", "/v1/extractions", b"{}", {"X-Forwarded-Prefix": "/elsewhere"})
    assert json.loads(connection.getresponse().read())["instance"] == "/v1/extractions"
    connection.close()

    connection = http.client.HTTPConnection("127.0.0.1", proxy, timeout=30)
    connection.request("GET", "/framing/docs")
    assert resolved("/framing/docs", connection.getresponse().headers["Location"]) == "/framing/docs/"
    connection.close()


def test_the_sdk_works_under_a_sub_path(proxy):
    with Client(f"http://127.0.0.1:{proxy}/framing") as below, Client(f"http://127.0.0.1:{proxy}") as above:
        assert below.extractions(JOB) == above.extractions(JOB)
