"""The command line: one command per endpoint, JSON in and out, data on stdout, words on stderr.

Exit codes: 0 done, 1 the input was refused, 2 wrong usage, 3 the service could not be reached.
Each command is a function of the parsed options; heavy imports wait until a command needs them.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from tallwide.errors import (
    AddressError,
    BatchCut,
    ConnectionFailed,
    ProblemError,
    RefusedInput,
    TallwideError,
    TooLarge,
    UnwritableJob,
)
from tallwide.version import VERSION

if TYPE_CHECKING:
    from tallwide.client import Client

DONE, REFUSED, WRONG_USAGE, UNREACHABLE = 0, 1, 2, 3
INTERRUPTED = 130  # 128 + SIGINT, as shells count
Command = Callable[[argparse.Namespace], int]


class UsageError(Exception):
    """The command line, or a file that it names, cannot be used."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    options = parser().parse_args(arguments)
    command: Command = options.command
    try:
        code = command(options)
        sys.stdout.flush()
    except (UsageError, AddressError, UnwritableJob) as error:
        return _say(str(error), WRONG_USAGE)
    except (RefusedInput, TooLarge) as error:
        return _say(json.dumps(error.problem, indent=2, ensure_ascii=False), REFUSED)
    except BatchCut as error:
        return _say(str(error), REFUSED if isinstance(error.__cause__, RefusedInput) else UNREACHABLE)
    except TallwideError as error:
        return _say(_failure(error), UNREACHABLE)
    except BrokenPipeError:  # whoever reads has seen enough
        _forget_stdout()
        return DONE
    except OSError as error:
        _forget_stdout()
        return _say(f"{error.filename or 'standard output'}: {error.strerror}", WRONG_USAGE)
    except KeyboardInterrupt:
        return INTERRUPTED
    return code


def _failure(error: TallwideError) -> str:
    if isinstance(error, ConnectionFailed):
        return f"the service could not be reached: {error}"
    if isinstance(error, ProblemError):
        return f"the service cannot answer now: {error}"
    return str(error)


def _forget_stdout() -> None:
    """Let nothing be written at exit, when Python would complain a second time."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    whole = argparse.ArgumentParser(prog="tallwide", description="Framing for pictures of several shapes.")
    whole.add_argument("--version", action="version", version=f"tallwide {VERSION}")
    commands = whole.add_subparsers(required=True, metavar="COMMAND")
    for name, words in (
        ("extractions", "place every deliverable's frame"),
        ("margins", "weigh every frame's pixels against what is needed"),
        ("orientation", "crop, turn the camera, take another mode, or shoot twice"),
        ("coverage", "say which lens covers which deliverable on which mode"),
        ("match", "give the focal length that matches another camera"),
        ("optics", "say what lens and read-out do in every frame"),
        ("safe-areas", "place safe areas on the recorded raster"),
        ("dial-in", "give every frame as numbers to type by hand"),
        ("chart-read", "read a photographed framing chart"),
    ):
        command = add_command(commands, name, answer_command(_method(name)), words, f"tallwide {name} job.json --table")
        takes_job(command)
        form = command.add_mutually_exclusive_group()
        form.add_argument("--table", action="store_true", help="flat rows (a JSON array) instead of the answer")
        if name != "chart-read":
            form.add_argument("--csv", action="store_true", help="flat rows as CSV, to standard output")
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
        reaches_service(add_command(commands, name, _get_command(_method(name)), words, f"tallwide {name}"))
    _add_from_other_modules(commands)
    _add_serve(commands)
    demo = add_command(commands, "demo", run_demo, "run an invented production", "tallwide demo --out demo")
    demo.add_argument("--out", type=Path, default=Path("demo"), help="folder for pictures and answers (default: demo)")
    return whole


def _add_from_other_modules(commands: Any) -> None:
    from tallwide import cli_batch, cli_catalogue, cli_handing_over  # noqa: PLC0415 - they are built on this module

    cli_handing_over.add_commands(commands)
    cli_catalogue.add_commands(commands)
    cli_batch.add_commands(commands)


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
    command.add_argument("--kit", help="file with captures, lenses and rigs that the job names by label")
    reaches_service(command)


def reaches_service(command: argparse.ArgumentParser) -> None:
    """Let a command say where the service is."""
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
    command.add_argument("--host", help="address to listen on (default: this machine only)")
    command.add_argument("--port", type=whole_number(1, 65_535), help="port to listen on (default: 8080)")
    command.add_argument("--workers", type=whole_number(1, 256), help="processes (default: 1)")
    command.add_argument(
        "--threads", type=whole_number(1, 64), help="requests computed at a time, per process (default: 2)"
    )
    words = "print the service's settings as they are in force here, secrets masked"
    add_command(commands, "settings", run_settings, words, "tallwide settings")


def whole_number(least: int, most: int) -> Callable[[str], int]:
    """Return the reader of a whole number on the command line."""

    def read(written: str) -> int:
        if not (written.isascii() and written.isdigit() and least <= int(written[:9]) <= most):
            raise argparse.ArgumentTypeError(f"must be a whole number from {least} to {most}, not {written!r}")
        return int(written)

    return read


def client_of(options: argparse.Namespace) -> Client:
    """Return the client that a command's options ask for."""
    from tallwide.client import Client  # noqa: PLC0415

    try:
        return Client(options.url, timeout_s=(3.05, options.timeout_s))
    except ValueError as error:  # a time-out of nothing, an address or a token that is none
        raise UsageError(str(error)) from error


def read_json(path: str) -> Any:
    """Return the JSON in a file, or on standard input for `-`; as strict as the service, which sees a copy.

    Raises
    ------
    UsageError
        If it cannot be read, is not JSON, or says a name twice in one object.
    """
    text = sys.stdin.buffer.read() if path == "-" else Path(path).read_bytes()
    where = "standard input" if path == "-" else path
    try:
        return json.loads(
            text, object_pairs_hook=_unique_names, parse_constant=_refuse_constant, parse_float=_finite_number
        )
    except RecursionError as error:
        raise UsageError(f"{where} is nested too deep") from error
    except ValueError as error:
        raise UsageError(f"{where} is not JSON: {error}") from error


def _unique_names(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members: dict[str, Any] = {}
    for name, value in pairs:
        if name in members:
            raise ValueError(f"the name {name[:40]!r} stands twice in one object")
        members[name] = value
    return members


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number")


def _finite_number(written: str) -> float:
    number = float(written)
    if math.isinf(number):
        raise ValueError(f"{written[:40]} is too large")
    return number


def read_job(options: argparse.Namespace) -> Any:
    """Return the job that a command was given, its kit merged into it."""
    job = read_json(options.job)
    if options.kit is None:
        return job
    from tallwide.kit import Kit, KitError  # noqa: PLC0415

    try:
        kit = Kit.of(read_json(options.kit))
        return kit.merged(job) if isinstance(job, dict) else job
    except KitError as error:
        raise UsageError(f"{options.kit}: {error}") from error


def answer_command(name: str) -> Command:
    """Return the command that sends a job to one endpoint and prints the answer."""

    def run(options: argparse.Namespace) -> int:
        from tallwide.rows import to_rows  # noqa: PLC0415
        from tallwide.wire import to_wire  # noqa: PLC0415

        client, job = client_of(options), read_job(options)
        if getattr(options, "csv", False):
            sys.stdout.buffer.write(client.rows_csv(job, name.replace("_", "-")).encode("utf-8"))
            return DONE
        answer = getattr(client, name)(job)
        return print_json(to_rows(answer) if options.table else to_wire(answer))

    return run


def _get_command(name: str) -> Command:
    return lambda options: print_json(getattr(client_of(options), name)())


def drawing_command(name: str) -> Command:
    """Return the command that sends a job to an endpoint that draws, and writes what comes back."""

    def run(options: argparse.Namespace) -> int:
        wanted = {} if options.media_type is None else {"media_type": options.media_type}
        if getattr(options, "still", None) is not None:
            wanted["still"] = options.still.read_bytes()
        drawn = getattr(client_of(options), _method(name))(read_job(options), **wanted)
        if options.out:
            options.out.write_bytes(drawn)
        else:
            sys.stdout.buffer.write(drawn)
        return DONE

    return run


def run_serve(options: argparse.Namespace) -> int:
    """Serve until stopped."""
    with _service_at_hand():
        from tallwide_service.serving import serve  # noqa: PLC0415
        from tallwide_service.settings import WrongSetting, read_settings  # noqa: PLC0415

    given = {name: getattr(options, name) for name in ("host", "port", "workers", "threads")}
    try:
        serve(replace(read_settings(os.environ), **{name: value for name, value in given.items() if value is not None}))
    except WrongSetting as error:
        raise UsageError(str(error)) from error
    return DONE


def run_settings(_: argparse.Namespace) -> int:
    """Print the settings in force."""
    with _service_at_hand():
        from tallwide_service.settings import WrongSetting, read_settings, shown  # noqa: PLC0415

    try:
        return print_json(shown(read_settings(os.environ)))
    except WrongSetting as error:
        raise UsageError(str(error)) from error


@contextlib.contextmanager
def _service_at_hand() -> Iterator[None]:
    """Say what to install where the service is not there."""
    try:
        yield
    except ImportError as error:
        raise UsageError(f"the service is not installed ({error.name}): pip install 'tallwide[service]'") from error


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
    text = json.dumps(document, indent=2, ensure_ascii=False) + "\n"
    # JSON is UTF-8 whatever the terminal's encoding is; half a surrogate pair is written as JSON escapes it.
    sys.stdout.buffer.write(text.encode("utf-8", "backslashreplace"))
    return DONE


def _say(words: str, code: int) -> int:
    print(words, file=sys.stderr)
    return code
