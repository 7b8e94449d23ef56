"""Hypothesis without deadlines: a shared machine may pause; work is bounded by counts, time by benchmarks."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("suite", deadline=None)
settings.load_profile("suite")
