"""The command line: one command per endpoint, JSON in and out, data on stdout, words on stderr.

Exit codes: 0 done, 1 the input was refused, 2 wrong usage, 3 the service could not be reached.
Each command is a function of the parsed options; heavy imports wait until a command needs them.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tallwide.version import VERSION

if TYPE_CHECKING:
    from tallwide.client import Client

DONE, REFUSED, WRONG_USAGE, UNREACHABLE = 0, 1, 2, 3
Command = Callable[[argparse.Namespace], int]


class UsageError(Exception):
    """The command line, or a file that it names, cannot be used."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    options = parser().parse_args(arguments)
    from tallwide.errors import ConnectionFailed, ProblemError, TallwideError, Unavailable  # noqa: PLC0415

    command: Command = options.command
    try:
        return command(options)
    except UsageError as error:
        return _say(str(error), WRONG_USAGE)
    except BrokenPipeError:
        return DONE
    except (ConnectionFailed, Unavailable) as error:
        return _say(f"the service could not be reached: {error}", UNREACHABLE)
    except ProblemError as error:
        _say(json.dumps(error.problem, indent=2, ensure_ascii=False), REFUSED)
        return REFUSED
    except TallwideError as error:
        return _say(str(error), UNREACHABLE)


def parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    whole = argparse.ArgumentParser(prog="tallwide", description="Framing for pictures of several shapes.")
    whole.add_argument("--version", action="version", version=f"tallwide {VERSION}")
    commands = whole.add_subparsers(required=True, metavar="COMMAND")
    for name, run, words in (
        ("extractions", answer_command("extractions"), "place every deliverable's frame"),
        ("margins", answer_command("margins"), "weigh every frame's pixels against what is needed"),
        ("orientation", answer_command("orientation"), "crop, turn the camera, or shoot twice"),
    ):
        command = add_command(commands, name, run, words, f"tallwide {name} job.json --table")
        takes_job(command)
        command.add_argument("--table", action="store_true", help="flat rows (a JSON array) instead of the answer")
    for name, words in (
        ("safe-areas", "place safe areas on the recorded raster"),
        ("dial-in", "give every frame as numbers to type by hand"),
        ("chart-read", "read a photographed framing chart"),
    ):
        takes_job(add_command(commands, name, answer_command(_method(name)), words, f"tallwide {name} job.json"))
    _add_drawing(
        commands,
        "overlay",
        "draw every frame on the recorded raster",
        ("image/svg+xml", "image/png", "application/pdf", "image/jpeg", "image/tiff", "application/zip"),
        "overlay.svg",
        takes_still=True,
    )
    _add_drawing(commands, "chart", "print the framing chart", ("application/pdf", "image/svg+xml"), "chart.pdf")
    _add_drawing(commands, "sheet", "print the framing sheet", ("application/pdf",), "sheet.pdf", takes_still=True)
    for name, words in (
        ("limits", "print the service's limits"),
        ("version", "print the service's version"),
        ("reference-safe-areas", "print published sets of safe areas"),
        ("reference-rasters", "print published rasters"),
    ):
        _reaches(add_command(commands, name, _get_command(_method(name)), words, f"tallwide {name}"))
    _add_handing_over(commands)
    _add_serve(commands)
    demo = add_command(commands, "demo", run_demo, "run an invented production", "tallwide demo --out demo")
    demo.add_argument("--out", type=Path, default=Path("demo"), help="folder for pictures and answers (default: demo)")
    return whole


def _add_handing_over(commands: Any) -> None:
    from tallwide.cli_handing_over import add_commands  # noqa: PLC0415 - it is built on this module

    add_commands(commands)


def add_command(commands: Any, name: str, run: Command, words: str, example: str) -> argparse.ArgumentParser:
    """Add a command with its help and an example."""
    command: argparse.ArgumentParser = commands.add_parser(
        name, help=words, description=words[0].upper() + words[1:] + ".", epilog=f"example: {example}"
    )
    command.set_defaults(command=run)
    return command


def takes_job(command: argparse.ArgumentParser) -> None:
    """Let a command take a job and say where the service is."""
    command.add_argument("job", nargs="?", default="-", help="file with a job as JSON; - or nothing is standard input")
    _reaches(command)


def _reaches(command: argparse.ArgumentParser) -> None:
    command.add_argument("--url", help="where the service is (default: TALLWIDE_URL, or the installed one)")
    command.add_argument("--timeout-s", type=float, default=30.0, help="seconds to wait for an answer")


def _method(command: str) -> str:
    """Return the client's method of a command."""
    return command.replace("-", "_")


def _add_drawing(
    commands: Any, name: str, words: str, media_types: tuple[str, ...], example: str, *, takes_still: bool = False
) -> None:
    command = add_command(commands, name, drawing_command(name), words, f"tallwide {name} job.json --out {example}")
    takes_job(command)
    command.add_argument("--media-type", choices=media_types, help=f"kind of picture (default: {media_types[0]})")
    if takes_still:
        command.add_argument("--still", type=Path, help="PNG, JPEG or TIFF that is drawn on; PNG comes back by default")
    command.add_argument("--out", type=Path, help="file for the picture (default: standard output)")


def _add_serve(commands: Any) -> None:
    command = add_command(commands, "serve", run_serve, "start the service", "tallwide serve --port 8080")
    command.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
    command.add_argument("--port", type=int, default=8080)
    command.add_argument("--workers", type=int, default=1, help="processes")
    command.add_argument("--threads", type=int, default=4, help="threads that compute, per process")


def client_of(options: argparse.Namespace) -> Client:
    """Return the client that a command's options ask for."""
    from tallwide.client import Client  # noqa: PLC0415

    return Client(options.url, timeout_s=(3.05, options.timeout_s))


def read_bytes(path: Path) -> bytes:
    """Return what a file holds."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror}") from error


def read_json(path: str) -> Any:
    """Return the JSON in a file, or on standard input for `-`."""
    try:
        text = sys.stdin.buffer.read() if path == "-" else Path(path).read_bytes()
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror}") from error
    try:
        return json.loads(text)
    except ValueError as error:
        where = "standard input" if path == "-" else path
        raise UsageError(f"{where} is not JSON: {error}") from error


def answer_command(name: str) -> Command:
    """Return the command that sends a job to one endpoint and prints the answer."""

    def run(options: argparse.Namespace) -> int:
        from tallwide.rows import to_rows  # noqa: PLC0415
        from tallwide.wire import to_wire  # noqa: PLC0415

        answer = getattr(client_of(options), name)(read_json(options.job))
        return print_json(to_rows(answer) if options.table else to_wire(answer))

    return run


def _get_command(name: str) -> Command:
    return lambda options: print_json(getattr(client_of(options), name)())


def drawing_command(name: str) -> Command:
    """Return the command that sends a job to an endpoint that draws, and writes what comes back."""

    def run(options: argparse.Namespace) -> int:
        wanted = {} if options.media_type is None else {"media_type": options.media_type}
        if getattr(options, "still", None) is not None:
            wanted["still"] = read_bytes(options.still)
        drawn = getattr(client_of(options), _method(name))(read_json(options.job), **wanted)
        if options.out:
            options.out.write_bytes(drawn)
        else:
            sys.stdout.buffer.write(drawn)
        return DONE

    return run


def run_serve(options: argparse.Namespace) -> int:
    """Serve until stopped."""
    try:
        from tallwide_service.serving import serve  # noqa: PLC0415
    except ImportError as error:
        raise UsageError(f"the service is not installed ({error.name}): pip install 'tallwide[service]'") from error
    serve(options.host, options.port, workers=options.workers, threads=options.threads)
    return DONE


def run_demo(options: argparse.Namespace) -> int:
    """Run the demo and print where things lie."""
    try:
        from tallwide.demo import run  # noqa: PLC0415
    except ImportError as error:
        raise UsageError(f"the demo needs more ({error.name}): pip install 'tallwide[demo]'") from error
    run(options.out)
    return DONE


def print_json(document: Any) -> int:
    """Print a JSON document and return the exit code of success."""
    json.dump(document, sys.stdout, indent=2, ensure_ascii=False)
    sys.stdout.write("\n")
    return DONE


def _say(words: str, code: int) -> int:
    print(words, file=sys.stderr)
    return code
