"""Refusals of data that keeps to the contract's schemas: each must follow from a rule that JSON Schema cannot say.

A rule is a pattern for the sentence of a fault, and the reason why no schema of the contract holds it. What is
refused by any other sentence is a fault of the service or of its description.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

# Kinds of problems that are not about a request's form: it was read, and found to ask for what there is not.
AFTER_READING = frozenset(
    {
        "cannot-be-met",  # no rectangle meets the constraints
        "member-missing",  # one job serves all endpoints, so no endpoint's own member is required by the schema
        "no-such-picture",  # a space that the solved job has not
        "sweep-leaves-bounds",  # the member's bounds, applied to the values of a sweep
        "form-unreadable",  # the rules of another standard
        "still",  # a string of bytes is any file by JSON Schema
        "not-arrow",  # and any stream
        "too-large",  # bytes as they are sent, which no schema counts
    }
)

# Patterns of sentences, by the reason why JSON Schema cannot say what they say.
RULES: Mapping[str, tuple[str, ...]] = {
    "compares one member with another": (
        r"lies outside the raster of \d+ x \d+ px",
        r"is more than the \d+ lines of the raster",
        r"stands twice, with different heights",
        r"must be a pointer into the job, such as /framing/point/y",
        r"must be at least least_mm",
        r"no deliverable has this label",
        r"is the label of deliverable \d+ too",
        r"frames lie inside each other in a circle",
    ),
    "computes with the value, or with several": (
        r"must be 0 or at least 0\.000000001 in size",
        r"an aspect must lie between 0\.05 and 20",
        r"the second number of an aspect must be greater than zero",
        r"its aspect must lie between 0\.05 and 20",
        r"a coordinate lies within 1000000000 of zero",
        r"a coordinate's denominator must not be zero",
        r"(left|top) and (right|bottom) leave nothing between them",
        r"must have at most 4096 points and corners together, not \d+",
        r"the container's crop leaves no picture",
        r"the picture does not lie inside the file",
        r"is less than the takes of a single pass need: .* minutes, without any change-over",
        r"differs from the raster's .* by more than the aspect tolerance",
    ),
    "counts bytes or bits of a value of any kind": (
        r"holds a whole number of more than 53 bits; write it as text",
        r"at most 32 members of your own are carried, not \d+",
        r"a member of your own has at most 16384 bytes, not \d+",
    ),
    "a condition on another member's value, said in the member's description instead of an if and a then": (
        r"is required with lens\.(image_circle|covered)_mm",
        r"needs the arrangement shared_point",
        r"is given with shade frame, and with no other",
        r"belongs to the spaces [a-z, ]+, not to [a-z]+",
        r"is required for the space [a-z]+",
        r"stands beside settings, which have their own",
    ),
    "multipleOf 0.01 is not decided alike by readers, who compute in doubles": (r"must have at most two decimals",),
    "which characters are printable stands in Unicode's tables": (r"must be one line of printable characters",),
}
# A text in an address is any text by the pattern of base64url; whether it unpacks to a job is found by unpacking it.
PACKED = re.compile(
    r"job is not base64url of a deflated \(zlib\) document|the deflated document in job is cut or followed"
)


def follows_from_a_rule(sentence: str) -> bool:
    """Whether a fault follows from one of the rules."""
    return any(re.fullmatch(pattern, sentence) for patterns in RULES.values() for pattern in patterns)


def is_explained(problem: Any) -> bool:
    """Whether a problem's every fault follows from a rule that the contract cannot say."""
    if not isinstance(problem, dict):
        return False
    kind = str(problem.get("type", "")).rpartition("/")[2]
    if kind == "query":
        return PACKED.fullmatch(problem["detail"]) is not None
    if kind == "invalid-job":
        faults = problem.get("errors", [])
        return bool(faults) and all(follows_from_a_rule(fault["detail"]) for fault in faults)
    return kind in AFTER_READING
