"""Schemathesis on every operation of the contract: right data and wrong data, all checks.

    export PYTHONPATH=tests
    python -m fuzz.contract --seconds 1200             one operation after the other, in this process
    python -m fuzz.contract --seconds 300 --shard 1/4  every fourth operation, from the second on
    python -m fuzz.contract --seconds 120 --http       the same through a server's sockets
    python -m fuzz.contract --only /v1/map --seed 7    what one path does, with a seed of one's own

The seconds are shared out to the operations, each of which has one at least; a test uses `fuzz` with few. Prints what
was sent and answered, and fails where a check does. The contract's `default` answers are taken out first, so that a
status counts as documented only where its operation lists it. In this process the whole application answers, its
entrance with places and deadline included.

Off is one phase, of sequences of calls: the service keeps nothing from one call to the next. The check that right
data is accepted leaves out two kinds of refusals: those that follow from a rule which JSON Schema cannot say
(`explained.py` lists them), and those of bodies that a second validator finds wrong by the contract, because the
generator does not heed every keyword.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import schemathesis
from jsonschema import Draft202012Validator
from schemathesis.config import HealthCheck, SchemathesisConfig
from schemathesis.core.failures import AcceptedNegativeData, Failure
from schemathesis.engine import events, from_schema
from schemathesis.openapi.checks import RejectedPositiveData
from schemathesis.specs.openapi.schemas import OpenApiSchema

from fuzz.explained import is_explained
from running import running
from tallwide_service import create_app
from tallwide_service.settings import Settings

COMMITTED = Path(__file__).parents[2] / "openapi" / "openapi.json"
METHODS = ("get", "post")
# A request of this service is ended after 10 s of computing; none may be near it.
LONGEST_S = 10.0
ENOUGH = 1_000_000  # cases an operation: time is what bounds a run
# How wrong data may be refused beside what schemathesis expects: unread, because it is larger than anything right.
ALSO_REFUSED = ("413",)
# Less may be over before the first case; where the machine is so busy that this is, too, there is more, a few times.
LEAST_S, MORE, TRIES = 1.0, 4, 3
NDJSON_TYPE, ARROW_TYPE = "application/x-ndjson", "application/vnd.apache.arrow.stream"
VALIDATED = ("application/json", "multipart/form-data")


@schemathesis.serializer(NDJSON_TYPE, ARROW_TYPE)
def as_text(_: Any, value: Any) -> bytes:
    """Return a batch as it is sent: any text is one of lines, and what is wrong with it is said line by line."""
    return str(value).encode("utf-8", "surrogatepass")


@dataclass
class Report:
    """What was sent, what was answered, and which checks failed."""

    cases: Counter[str] = field(default_factory=Counter)  # by operation
    statuses: Counter[int] = field(default_factory=Counter)
    explained: int = 0
    longest_s: float = 0.0
    failures: dict[tuple[str, str], list[str]] = field(default_factory=dict)
    errors: list[str] = field(default_factory=list)

    def add(self, recorder: Any) -> None:
        """Count one scenario of an operation."""
        self.cases[recorder.label] += len(recorder.cases)
        self.explained += sum(recorder.filtered_failures.values())
        for interaction in recorder.interactions.values():
            if interaction.response is not None:
                self.statuses[interaction.response.status_code] += 1
                self.longest_s = max(self.longest_s, interaction.response.elapsed)
        for checks in recorder.checks.values():
            for check in checks:
                if check.failure_info is not None:
                    self._fail(recorder.label, check.name, check.failure_info)

    def _fail(self, label: str, check: str, info: Any) -> None:
        sample = f"{info.failure.title}: {info.failure.message}\n{info.code_sample[:4000]}"
        self.failures.setdefault((label, check), []).append(sample)

    @property
    def is_clean(self) -> bool:
        """Whether every check of every case passed."""
        return not self.failures and not self.errors

    def __str__(self) -> str:
        lines = [
            f"{total} cases of {operation}"
            for operation, total in sorted(self.cases.items(), key=lambda item: (-item[1], item[0]))
        ]
        statuses = ", ".join(f"{count} x {status}" for status, count in sorted(self.statuses.items()))
        lines += [
            f"{self.cases.total()} cases of {len(self.cases)} operations: {statuses}",
            f"{self.explained} refusals of right data followed from a rule that no schema says",
            f"the longest answer took {self.longest_s:.2f} s",
        ]
        for (label, check), samples in sorted(self.failures.items()):
            lines.append(f"FAILED {check} of {label}, {len(samples)} times; the first:\n{samples[0]}")
        lines += [f"ERROR {error}" for error in self.errors]
        return "\n".join(lines)


def strict_contract() -> dict[str, Any]:
    """Return the committed contract without answers that would document any status at all."""
    document: dict[str, Any] = json.loads(COMMITTED.read_text(encoding="utf-8"))
    for _, _, operation in operations_of(document):
        operation["responses"].pop("default", None)
    return document


def operations_of(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Yield method, path and operation of a contract."""
    for path, item in document["paths"].items():
        for method in METHODS:
            if method in item:
                yield method, path, item[method]


def weight_of(operation: dict[str, Any]) -> int:
    """Return how much of the time an operation gets: by what can be sent to it."""
    return 6 if "requestBody" in operation else 2 if operation.get("parameters") else 1


def loaded(document: dict[str, Any], seconds: float, *, seed: int, app: Any, base_url: str) -> OpenApiSchema:
    """Return a contract as schemathesis takes it: everything on, but sequences of calls."""
    # How long the generator takes for a case is the machine's affair, and no fault of what is tested.
    settings = SchemathesisConfig(seed=seed, suppress_health_check=[HealthCheck.all])
    schema = schemathesis.openapi.from_dict(document, config=settings)
    schema.app = app
    config = schema.config
    config.base_url = base_url
    config.request_timeout = 3 * LONGEST_S
    config.continue_on_failure = True
    config.max_time = seconds
    config.generation.update(max_examples=ENOUGH, no_shrink=True, database="none")
    config.phases.stateful.enabled = False
    config.checks.update(max_response_time=LONGEST_S)
    refusals = config.checks.negative_data_rejection.expected_statuses
    config.checks.negative_data_rejection.expected_statuses = [*refusals, *ALSO_REFUSED]
    schema.hook("filter_failure")(filter_failure)
    return schema


def filter_failure(context: Any, failure: Failure, case: Any, response: Any) -> bool:
    """Return whether a failure counts: not where what was refused is wrong by a rule, or by the contract itself."""
    del context
    if isinstance(failure, AcceptedNegativeData) and is_wrong_batch(case):
        return False
    if not isinstance(failure, RejectedPositiveData) or is_explained(problem_of(response)):
        return not isinstance(failure, RejectedPositiveData)
    return keeps_to_contract(case)


def is_wrong_batch(case: Any) -> bool:
    """Whether nothing but a batch is wrong in a case: every text is one, and its answer says what is wrong in it."""
    wrong = case.meta.components if case.media_type == NDJSON_TYPE else {}
    return all(data.mode.is_positive for place, data in wrong.items() if place.value != "body") and bool(wrong)


def keeps_to_contract(case: Any) -> bool:
    """Whether a case's JSON or its parts are right by the contract, as a validator of another make sees them."""
    if case.media_type not in VALIDATED:
        return True
    document = case.operation.schema.raw_schema
    operation = document["paths"][case.operation.path][case.operation.method]
    schema = operation["requestBody"]["content"][case.media_type]["schema"]
    return Draft202012Validator({**schema, "components": document["components"]}).is_valid(case.body)


def problem_of(response: Any) -> Any:
    """Return the problem document of a response; None where there is none."""
    try:
        return json.loads(response.content)
    except ValueError:
        return None


def fuzz(
    seconds: float,
    *,
    app: Any = None,
    base_url: str = "http://localhost",
    seed: int = 1,
    only: str = "",
    shard: str = "0/1",
) -> Report:
    """Return what comes of so many seconds, shared out to the operations."""
    document = strict_contract()
    index, _, count = shard.partition("/")
    chosen = [each for each in operations_of(document) if only in each[1]][int(index) :: int(count)]
    weights = [weight_of(operation) for _, _, operation in chosen]
    report = Report()
    for (method, path, _), weight in zip(chosen, weights, strict=True):
        label, share_s = f"{method.upper()} {path}", max(LEAST_S, seconds * weight / sum(weights))
        for attempt in range(TRIES):
            schema = loaded(document, share_s * MORE**attempt, seed=seed, app=app, base_url=base_url)
            for event in from_schema(schema.include(method=method.upper(), path=path)).execute():
                if isinstance(event, events.ScenarioFinished):
                    report.add(event.recorder)
                elif isinstance(event, events.NonFatalError | events.FatalError):
                    report.errors.append(f"{label}: {getattr(event, 'info', event)}")
            if report.cases[label]:
                break
    return report


@contextmanager
def answering(*, over_http: bool) -> Iterator[dict[str, Any]]:
    """Yield what answers: the application in this process, or a server of its own."""
    if over_http:
        with running() as service:
            yield {"base_url": f"http://127.0.0.1:{service.port}"}
    else:
        yield {"app": create_app(Settings(log=False))}


def main() -> int:
    """Fuzz, print, and return 1 where a check failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=1200, help="how long, shared out to the operations")
    parser.add_argument("--seed", type=int, default=1, help="other cases")
    parser.add_argument("--only", default="", help="operations whose path holds this")
    parser.add_argument("--shard", default="0/1", help="i/n: every n-th operation, from the i-th on, counted from 0")
    parser.add_argument("--http", action="store_true", help="through a server's sockets")
    options = parser.parse_args()
    began = time.monotonic()
    with answering(over_http=options.http) as answers:
        report = fuzz(options.seconds, seed=options.seed, only=options.only, shard=options.shard, **answers)
    print(report)
    print(
        f"{time.monotonic() - began:.0f} s, seed {options.seed}: {'all checks passed' if report.is_clean else 'FAILED'}"
    )
    return 0 if report.is_clean else 1


if __name__ == "__main__":
    raise SystemExit(main())
