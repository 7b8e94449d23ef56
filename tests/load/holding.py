"""What it means that a service holds a rate, and what it may do at twice that rate.

Kinds of calls cost from half a millisecond to a tenth of a second, so one median of all of them says nothing. A call's
slowdown is what it took over the median of its kind, both counted from the moment at which the call was due.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence

from benchmarks.measure import quantile
from findings import Finding
from load.open_loop import Answer, Spell

HELD_TO = 5.0  # p99 over p50
PROBE_S = 0.1
GROWTH = 0.05
# A kind's own slowest hundredth is looked at where it is more than one or two calls.
ENOUGH = 200


def seconds_by_kind(answers: Iterable[Answer]) -> dict[str, list[float]]:
    """Return how long the answered calls of each kind took."""
    taken: dict[str, list[float]] = defaultdict(list)
    for answer in answers:
        if answer.status == 200:
            taken[answer.name].append(answer.seconds)
    return taken


def medians(taken: Mapping[str, Sequence[float]]) -> dict[str, float]:
    return {name: quantile(seconds, 0.5) for name, seconds in taken.items()}


def slowdowns(taken: Mapping[str, Sequence[float]], usual: Mapping[str, float]) -> list[float]:
    """Return what calls took over what is usual for their kind."""
    return [each / usual[name] for name, seconds in taken.items() if name in usual for each in seconds]


def is_held(spell: Spell) -> bool:
    """Whether every call was answered, and the slowest hundredth within five times the median: of all, and by kind."""
    taken = seconds_by_kind(spell.answers)
    return (
        all(answer.status == 200 for answer in spell.answers)
        and quantile(slowdowns(taken, medians(taken)), 0.99) <= HELD_TO
        and all(ratio <= HELD_TO for ratio in ratios(taken).values())
    )


def ratios(taken: Mapping[str, Sequence[float]]) -> dict[str, float]:
    """Return p99 over p50 of each kind of which there were enough calls."""
    usual = medians(taken)
    return {name: quantile(each, 0.99) / usual[name] for name, each in taken.items() if len(each) >= ENOUGH}


def highest_rate(holds: Callable[[float], bool], first: float, steps: int) -> float:
    """Return the highest rate that holds, found by doubling and then by halving the distance `steps` times.

    Raises
    ------
    RuntimeError
        If the first rate, which should be far too low, is not held.
    """
    if not holds(first):
        raise RuntimeError(f"not even {first:g} calls a second are held")
    held, missed = first, 2 * first
    while holds(missed):
        held, missed = missed, 2 * missed
    for _ in range(steps):
        middle = (held + missed) / 2
        if holds(middle):
            held = middle
        else:
            missed = middle
    return held


def of_held(spell: Spell, memory_mb: Sequence[float]) -> list[Finding]:
    """Return the findings of a rate that should be held."""
    return [*of_calls(spell), *of_times(spell), *of_memory(memory_mb)]


def of_calls(spell: Spell) -> list[Finding]:
    """Return whether every call was answered."""
    wrong = sum(answer.status != 200 for answer in spell.answers)
    return [Finding("calls that failed", f"{wrong} of {len(spell.answers):,}", "0", wrong == 0)]


def of_times(spell: Spell) -> list[Finding]:
    """Return whether the slowest calls took about what their kind takes."""
    taken = seconds_by_kind(spell.answers)
    slow = quantile(slowdowns(taken, medians(taken)), 0.99)
    everything = [each for seconds in taken.values() for each in seconds]
    p50, p99 = quantile(everything, 0.5), quantile(everything, 0.99)
    kinds = ratios(taken)
    worst = max(kinds, key=lambda name: kinds[name], default="")
    return [
        Finding(
            "p99 of what a call took over the median of its kind",
            f"{slow:.1f}",
            f"at most {HELD_TO:g}",
            slow <= HELD_TO,
        ),
        Finding(
            "the same, kind by kind, the worst",
            f"{kinds.get(worst, 0):.1f}, {worst}",
            f"at most {HELD_TO:g}",
            all(each <= HELD_TO for each in kinds.values()),
        ),
        Finding("all kinds in one pot", f"p50 {p50 * 1e3:.1f} ms, p99 {p99 * 1e3:.1f} ms", "", True),
    ]


def of_memory(memory_mb: Sequence[float], growth: float = GROWTH) -> list[Finding]:
    """Return whether memory stayed."""
    before, after = grown(memory_mb)
    return [
        Finding(
            "memory after the warm-up and at the end",
            f"{before:.1f} MB, {after:.1f} MB",
            f"at most {growth:.0%} more",
            after <= before * (1 + growth),
        )
    ]


def grown(memory_mb: Sequence[float]) -> tuple[float, float]:
    """Return the memory after the warm-up, a tenth of the time, and at the end, as medians of a tenth."""
    tenth = max(1, len(memory_mb) // 10)
    return quantile(memory_mb[tenth : 2 * tenth], 0.5), quantile(memory_mb[-tenth:], 0.5)


def of_overload(spell: Spell, held: Spell, wait_s: float, *, must_refuse: bool = True) -> list[Finding]:
    """Return the findings of a rate beyond the one that is held; much beyond it, some calls must be refused."""
    return [*of_refusals(spell, must_refuse=must_refuse), *of_waits(spell, held, wait_s)]


def of_refusals(spell: Spell, *, must_refuse: bool = True) -> list[Finding]:
    """Return whether what was too much was refused cleanly, the rest served and every probe answered."""
    probes, calls = probes_and_calls(spell)
    refused = [answer for answer in calls if answer.status != 200]
    unclean = [answer for answer in refused if not is_clean(answer)]
    served = len(calls) - len(refused)
    down = sum(probe.status != 200 for probe in probes)
    return [
        Finding(
            "refusals that are no 429 with Retry-After and a problem document",
            f"{len(unclean)} of {len(refused):,}, {served:,} served",
            "0, and some refused" if must_refuse else "0",
            not unclean and served > 0 and (bool(refused) or not must_refuse),
        ),
        Finding("probes that failed", f"{down} of {len(probes):,}", "0", bool(probes) and not down),
    ]


def of_waits(spell: Spell, held: Spell, wait_s: float) -> list[Finding]:
    """Return whether what was served, and the probes, were served in time."""
    probes, calls = probes_and_calls(spell)
    taken, before = seconds_by_kind(calls), seconds_by_kind(held.answers)
    p99, held_p99 = (
        quantile([each for seconds in kinds.values() for each in seconds], 0.99) for kinds in (taken, before)
    )
    slow = quantile(slowdowns(taken, medians(before)), 0.99)
    slowest = max(probe.seconds for probe in probes)
    return [
        Finding(
            "p99 of what is served",
            f"{p99 * 1e3:.0f} ms after {held_p99 * 1e3:.0f} ms at the rate held, "
            f"{slow:.0f} times the median of its kind there",
            f"the wait of {wait_s:g} s more",
            p99 <= held_p99 + wait_s,
        ),
        Finding("slowest probe", f"{slowest * 1e3:.0f} ms", f"{PROBE_S * 1e3:.0f} ms", slowest <= PROBE_S),
    ]


def probes_and_calls(spell: Spell) -> tuple[list[Answer], list[Answer]]:
    """Return the probes among the answers, and the rest."""
    probes = [answer for answer in spell.answers if answer.name.startswith("/")]
    return probes, [answer for answer in spell.answers if not answer.name.startswith("/")]


def is_clean(answer: Answer) -> bool:
    """Whether a refusal is a 429 that says when to come again, with a problem document that says why."""
    if answer.status != 429 or not re.search(rb"\r\nretry-after: [1-9]\d*(\r\n|$)", answer.head.lower()):
        return False
    if b"\r\ncontent-type: application/problem+json" not in answer.head.lower():
        return False
    problem = json.loads(answer.body)
    return problem["type"].endswith("/problems/busy") and problem["status"] == 429 and bool(problem["request_id"])
