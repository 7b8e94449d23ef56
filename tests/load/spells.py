"""The three spells of load on one worker, one after the other: the search, the rate that is held, twice that rate."""

from __future__ import annotations

import heapq
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from benchmarks.measure import quantile
from load.holding import highest_rate, is_held, medians, seconds_by_kind, slowdowns
from load.mix import Mix, probes
from load.open_loop import Spell, put
from running import Running

FIRST_RATE, HALVINGS = 25.0, 3
# Of the highest rate of short spells: a long one has more chances to be disturbed.
HELD_SHARE = 0.55
PROBES_A_SECOND = 20.0


@dataclass
class Memory:
    """Samples of a service's memory while something goes on."""

    service: Running
    samples_mb: list[float] = field(default_factory=list)
    _over: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Memory:
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._over.wait(0.5):
            self.samples_mb.append(self.service.memory_mb())


def warm_up(service: Running, mix: Mix) -> None:
    """Let a service see every kind of call, so that it has loaded what they need and knows what they cost."""
    put(service.port, mix.one_of_each())


def search(service: Running, mix: Mix, seconds: float, say: Callable[[str], None]) -> float:
    """Return the highest rate of spells of some seconds that the service holds."""

    def holds(rate: float) -> bool:
        return once(rate) or once(rate)  # something else may have disturbed the first one

    def once(rate: float) -> bool:
        spell = put(service.port, mix.calls(rate, seconds))
        held = is_held(spell)
        say(f"{rate:6.1f} calls a second: {described(spell)}, {'held' if held else 'not held'}")
        return held

    warm_up(service, mix)
    return highest_rate(holds, FIRST_RATE, HALVINGS)


def hold(service: Running, mix: Mix, rate: float, seconds: float) -> tuple[Spell, list[float]]:
    """Put a rate on the service for some time; return what became of the calls, and its memory meanwhile."""
    with Memory(service) as memory:
        spell = put(service.port, mix.calls(rate, seconds))
    return spell, memory.samples_mb


def overload(service: Running, mix: Mix, rate: float, seconds: float) -> Spell:
    """Put a rate on the service that it cannot hold, and ask its probes meanwhile."""
    return put(service.port, heapq.merge(mix.calls(rate, seconds), probes(PROBES_A_SECOND, seconds)))


def described(spell: Spell) -> str:
    """Return a spell in a few words."""
    taken = seconds_by_kind(spell.answers)
    refused = sum(answer.status == 429 for answer in spell.answers)
    lost = sum(answer.status not in (200, 429) for answer in spell.answers)
    slow = quantile(slowdowns(taken, medians(taken)), 0.99)
    late_ms = quantile([answer.late_s for answer in spell.answers], 0.99) * 1e3
    return f"{refused} refused, {lost} lost, p99 {slow:.1f} times the median of its kind, sent {late_ms:.1f} ms late"
