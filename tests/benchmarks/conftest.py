"""Nothing here is a test: `python tests/benchmarks` runs it."""

collect_ignore_glob = ["*.py"]
