"""`python tests/same_bytes`: every example job's answers, byte by byte, however and by whatever they are computed.

python tests/same_bytes                           in this process, over HTTP by one worker and by three
python tests/same_bytes python3.11 python3.13     by these interpreters, each of which has the service installed
python tests/same_bytes --write                   writes the file that the suite compares with, where answers change

All answers are held to those that the first gives in its process, and those to the file of digests. Exits 1 where one
differs.
"""

from __future__ import annotations

import argparse
import json
import platform
import subprocess
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
from same_bytes.digests import answers, compared, releases, summed

FILE = Path(__file__).parents[1] / "golden" / "answers.json"
# By how many processes of a server, and how often each request is sent.
WAYS = {"in process": (0, 1), "over HTTP, one worker": (1, 1), "over HTTP, three workers": (3, 2)}


def of_this_interpreter() -> dict[str, Any]:
    """Return the answers in every way, with the releases that they hang on."""
    found = {way: answers(workers, times=times) for way, (workers, times) in WAYS.items()}
    return {"python": platform.python_version(), "releases": releases(), "ways": found}


def of_interpreter(python: str) -> dict[str, Any]:
    """Return what another interpreter answers."""
    called = subprocess.run([python, str(Path(__file__).parent), "--print"], stdout=subprocess.PIPE, check=True)
    made: dict[str, Any] = json.loads(called.stdout)
    return made


def main() -> int:
    """Ask everything, compare, print, and return 1 where an answer is another one."""
    parser = argparse.ArgumentParser(
        prog="python tests/same_bytes", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("interpreters", nargs="*", metavar="PYTHON", help="who answers (default: this interpreter)")
    parser.add_argument(
        "--print", action="store_true", help="print this interpreter's answers as JSON, compare nothing"
    )
    parser.add_argument("--write", action="store_true", help="write the file of digests, compare nothing")
    options = parser.parse_args()
    if options.write:
        made = {"python": platform.python_version(), "releases": releases(), "answers": summed(answers())}
        FILE.write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")
        return 0
    if options.print:
        json.dump(of_this_interpreter(), sys.stdout)
        return 0
    makers = [of_interpreter(python) for python in options.interpreters] or [of_this_interpreter()]
    first = {"releases": makers[0]["releases"], "answers": makers[0]["ways"]["in process"]}
    differ = False
    for maker in makers:
        for way, found in maker["ways"].items():
            differ |= said(f"Python {maker['python']}, {way}", found, first, maker["releases"])
    file = json.loads(FILE.read_text(encoding="utf-8"))
    differ |= said(f"file of Python {file['python']}, in groups", summed(first["answers"]), file, first["releases"])
    return 1 if differ else 0


def said(title: str, found: dict[str, str], file: dict[str, Any], ours: dict[str, str]) -> bool:
    """Print how answers compare with those of a file, and return whether any differs."""
    result = compared(found, file, ours)
    same = len(found) - len(result.other) - len(result.not_compared)
    print(f"{title}: {same} the same, {len(result.other)} others, {len(result.not_compared)} not compared")
    for line in result.not_compared:
        print(f"  NOT COMPARED {line}")
    for line in result.other:
        print(f"  ANOTHER {line}")
    return bool(result.other)


if __name__ == "__main__":
    raise SystemExit(main())
