"""Hypothesis without deadlines: a shared machine may pause; work is bounded by counts, time by benchmarks.

Under CI the same examples are drawn every time, so that a run says something of the change alone;
everywhere else new ones are.
"""

from __future__ import annotations

import os

from hypothesis import settings

# A command that cannot be imported without the extra `fuzz`.
collect_ignore = ["fuzz/parsers.py"]

settings.register_profile("suite", deadline=None, derandomize=os.environ.get("CI") == "true")
settings.load_profile("suite")

# Apps that tests make have the default settings, whatever this machine's environment says; nobody reads their log.
for name in [name for name in os.environ if name.startswith("TALLWIDE_")]:
    del os.environ[name]
os.environ["TALLWIDE_LOG"] = "off"
