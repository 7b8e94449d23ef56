"""`python tests/fuzz/parsers.py`: Atheris on every parser that meets what strangers send.

python tests/fuzz/parsers.py                            each parser for two minutes
python tests/fuzz/parsers.py --seconds 600 still csv    two of them, ten minutes each
python tests/fuzz/parsers.py --runs 20000               so many cases each, however long they take
python tests/fuzz/parsers.py --case FILE still          one case that was found, again

Coverage decides which cases are kept and changed further; they begin with the seeds in `targets.py`. A parser fails
where it raises what is no refusal, reads what does not hold together, takes longer than 10 s, or 1 GB. The case is
then left in the folder `--found`. Exits 1 where one fails. Needs the extra `fuzz`.
"""

from __future__ import annotations

import argparse
import contextlib
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parents[1]))
IS_FUZZING = "--one" in sys.argv  # the process that starts the others needs no code that tells where it has been
with atheris.instrument_imports(include=["tallwide", "tallwide_service"]) if IS_FUZZING else contextlib.nullcontext():
    from fuzz.targets import TARGETS

LONGEST_S, MOST_MB = 10, 1024
_LINE = re.compile(r"#(\d+)\s+(?:DONE|pulse|NEW|REDUCE|RELOAD|INITED)\s+cov: (\d+)")


def fuzz(name: str, folder: Path, arguments: list[str]) -> None:
    """Run one parser until libFuzzer ends this process."""
    target = TARGETS[name]
    corpus, words = folder / "corpus", folder / "words"
    corpus.mkdir()
    for number, seed in enumerate(target.seeds):
        (corpus / str(number)).write_bytes(seed)

    def one_case(data: bytes) -> None:
        target.takes(data)

    quoted = ("".join(f"\\x{byte:02x}" for byte in word) for word in target.words)
    words.write_text("".join(f'"{word}"\n' for word in quoted), encoding="ascii")
    flags = [f"-dict={words}", f"-max_len={target.most_bytes}", *arguments]
    atheris.Setup([sys.argv[0], *flags, str(corpus)], one_case)
    atheris.Fuzz()


def fuzzed(name: str, found: Path, bound: str, seed: int) -> tuple[int, bool]:
    """Run one parser in a process of its own, say what came of it, and return how many cases, and if all is well."""
    found.mkdir(parents=True, exist_ok=True)
    prefix = found / (re.sub(r"\W+", "-", name) + "-")
    bounds = [bound, f"-timeout={LONGEST_S}", f"-rss_limit_mb={MOST_MB}"]
    arguments = [*bounds, f"-seed={seed}", f"-artifact_prefix={prefix}"]
    with tempfile.TemporaryDirectory() as folder:
        own = [sys.executable, __file__, "--one", name, "--folder", folder]
        command = [*own, *(f"--libfuzzer={argument}" for argument in arguments)]
        ended = subprocess.run(command, check=False, capture_output=True, text=True, errors="replace")
        kept = len([*(Path(folder) / "corpus").iterdir()])
    lines = _LINE.findall(ended.stderr)
    cases, places = lines[-1] if lines else ("0", "0")
    went_well = ended.returncode == 0
    print(
        f"{name}: {cases} cases, {places} places in the code, {kept} kept: {'ok' if went_well else 'FAILED'}",
        flush=True,
    )
    if not went_well:
        said = (line for line in (ended.stdout + ended.stderr).splitlines() if not line.startswith(("#", "INFO: ")))
        print("\n".join(said)[-4000:], flush=True)
    return int(cases), went_well


def main() -> int:
    """Fuzz, print, and return 1 where a parser failed."""
    parser = argparse.ArgumentParser(
        prog="python tests/fuzz/parsers.py", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", metavar="PARSER", help=f"all, or some of: {', '.join(TARGETS)}")
    parser.add_argument("--seconds", type=int, default=120, help="how long each (default: 120)")
    parser.add_argument("--runs", type=int, help="how many cases each, in place of a time")
    parser.add_argument("--seed", type=int, default=1, help="other cases")
    parser.add_argument("--found", type=Path, default=Path("build/fuzz"), help="folder for cases that fail")
    parser.add_argument("--case", type=Path, help="file of one case")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--libfuzzer", action="append", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        fuzz(options.one, options.folder, options.libfuzzer)
    names = options.names or [*TARGETS]
    unknown = [name for name in names if name not in TARGETS]
    if unknown:
        parser.error(f"there is no parser {unknown[0]!r}; there are {', '.join(TARGETS)}")
    if options.case:
        print("read" if TARGETS[names[0]].takes(options.case.read_bytes()) else "refused")
        return 0
    bound = f"-max_total_time={options.seconds}" if options.runs is None else f"-runs={options.runs}"
    cases, went_well = zip(*(fuzzed(name, options.found, bound, options.seed) for name in names), strict=True)
    print(f"{len(names)} parsers, {sum(cases)} cases: {'all well' if all(went_well) else 'FAILED'}")
    return 0 if all(went_well) else 1


if __name__ == "__main__":
    raise SystemExit(main())
