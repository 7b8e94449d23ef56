"""`python tests/benchmarks/large_catalogue.py`: a catalogue of twenty million clips, and the memory that it takes.

Generates the clips, runs the command on them, and fails where all its processes together are
resident with more than is allowed. The folder, the system's own for temporary files unless one is
named, is empty again afterwards; twenty million clips take 2 GB there.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from archive import WANTED, write_archive

sys.path.insert(0, str(Path(__file__).parents[1]))
from running import family, memory_mb

EVERY_S = 0.1
# What a clip may take on the disk: itself, and its frame.
BYTES_A_CLIP = 200


def main() -> int:
    """Generate, run, print the figures; 1 where the memory was not enough."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--clips", type=int, default=20_000_000)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--part-clips", type=int, default=500_000)
    parser.add_argument("--at-most-mb", type=int, default=2_000)
    parser.add_argument("--folder", type=Path, help="where there is room")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        if shutil.disk_usage(folder).free < BYTES_A_CLIP * options.clips:
            parser.error(f"{folder} has no room for {BYTES_A_CLIP * options.clips / 1e9:.1f} GB")
        began = time.monotonic()
        write_archive(folder / "clips.parquet", options.clips)
        made = time.monotonic()
        (folder / "wanted.json").write_text(json.dumps(WANTED), encoding="utf-8")
        files = ["run", str(folder / "clips.parquet"), "--deliverables", str(folder / "wanted.json")]
        rest = ["--out", str(folder / "out"), "--threads", str(options.threads)]
        rest += ["--part-clips", str(options.part_clips)]
        command = [sys.executable, "-m", "tallwide", "catalogue", *files, *rest]
        with subprocess.Popen(command) as process:
            peak_mb = watched(process)
        done = time.monotonic()
        if process.returncode:
            return process.returncode
        read, written = (size_mb(folder / each) for each in ("clips.parquet", "out"))
    print(
        f"{options.clips:,} clips of {read:,.0f} MB, generated in {made - began:.0f} s; run in {done - made:.0f} s, "
        f"{options.clips / (done - made):,.0f} a second, {options.threads} threads, to {written:,.0f} MB; "
        f"resident at most {peak_mb:,.0f} MB (held to {options.at_most_mb:,} MB)"
    )
    return int(peak_mb > options.at_most_mb)


def watched(process: subprocess.Popen[bytes]) -> float:
    """Wait for a process; return what it and all that it started were resident with at most, together, MB."""
    peak = 0.0
    while process.poll() is None:
        peak = max(peak, sum(map(memory_mb, family(process.pid))))
        time.sleep(EVERY_S)
    return peak


def size_mb(path: Path) -> float:
    """Return what a file, or all files of a folder, take."""
    return sum(file.stat().st_size for file in (path, *path.rglob("*")) if file.is_file()) / 1e6


if __name__ == "__main__":
    raise SystemExit(main())
