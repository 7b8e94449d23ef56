"""The command line of hand-off: what each command takes. What it does stands in `tallwide.farm`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tallwide import cli
from tallwide.forms import FORMS, READABLE_FORMS

if TYPE_CHECKING:
    import argparse


def later(name: str) -> Callable[[argparse.Namespace], int]:
    """Return a command of `tallwide.farm`, imported when it runs."""

    def run(options: argparse.Namespace) -> int:
        from tallwide import farm  # noqa: PLC0415 - a fifth of a second that other commands do without

        command: Callable[[argparse.Namespace], int] = getattr(farm, name)
        return command(options)

    return run


def add_commands(commands: Any) -> None:
    """Add the commands of this module to the command line."""
    _add_handoff(commands)
    _add_read(commands)
    _add_map(commands)
    _add_check(commands)
    _add_compare(commands)


def _add_handoff(commands: Any) -> None:
    example = "tallwide handoff framing-decision-list job.json --out harbour.fdl"
    command = cli.add_command(commands, "handoff", later("run_handoff"), "write the decision in an open form", example)
    command.add_argument("form", choices=FORMS, help="open form")
    _takes_decision(command)
    command.add_argument("--source", help="name or address of the recorded file, as the receiver knows it")
    command.add_argument("--language", help="BCP 47 tag of the labels' language")
    _takes_pull(command)
    command.add_argument("--envelope", action="store_true", help="JSON with the document and what it cannot carry")
    command.add_argument("--out", type=Path, help="file or folder (default: standard output)")


def _add_read(commands: Any) -> None:
    example = "tallwide read framing-decision-list harbour.fdl"
    command = cli.add_command(commands, "read", later("run_read"), "read a document back", example)
    command.add_argument("form", choices=READABLE_FORMS, help="open form")
    command.add_argument("file", help="file with the document; - is standard input")
    _takes_reading(command)


def _add_map(commands: Any) -> None:
    example = "tallwide map --from answer.json --source delivery:tall --target recorded --point 540,960"
    command = cli.add_command(commands, "map", later("run_map"), "map places between spaces", example)
    _takes_decision(command)
    command.add_argument("--source", metavar="SPACE", help="space of what is given, such as recorded or delivery:tall")
    command.add_argument("--target", metavar="SPACE", help="space that it is mapped to")
    command.add_argument("--point", action="append", default=[], metavar="X,Y", help="point; may be repeated")
    command.add_argument("--rect", action="append", default=[], metavar="X,Y,W,H", help="rectangle; may be repeated")
    command.add_argument("--centres", action="store_true", help="coordinates are pixel centres, not pixel edges")
    command.add_argument("--media", help="file with the facts of a received file as JSON, for the space media")
    _takes_pull(command)


def _add_check(commands: Any) -> None:
    example = "tallwide check clip.mov job.json"
    command = cli.add_command(commands, "check", later("run_check"), "say whether a file holds the recording", example)
    command.add_argument("file", type=Path, help="clip or still")
    _takes_decision(command)


def _add_compare(commands: Any) -> None:
    example = "tallwide compare job.json --with new.fdl --form framing-decision-list"
    command = cli.add_command(commands, "compare", later("run_compare"), "say what moved", example)
    _takes_decision(command)
    command.add_argument("--with", dest="other", required=True, help="another job, saved answer, or a document")
    command.add_argument("--form", choices=READABLE_FORMS, help="form of the document")
    command.add_argument("--tolerance-px", type=float, default=0, help="how far an edge may move, recorded px")
    _takes_reading(command)


def _takes_decision(command: argparse.ArgumentParser) -> None:
    cli.takes_job(command)
    command.add_argument("--from", dest="answer", metavar="ANSWER", help="saved answer of extractions: works offline")


def _takes_reading(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--lenient", action="store_true", help="take liberties where a standard is not kept, and list them"
    )
    command.add_argument("--raster", metavar="WxH", help="recorded raster, for forms that do not carry it")


def _takes_pull(command: argparse.ArgumentParser) -> None:
    command.add_argument("--overscan-px", type=int, help="overscan of pulls on every side, recorded px")
    command.add_argument("--overscan-share", type=float, help="overscan of pulls as a share of the side")
    command.add_argument("--multiple", type=int, default=1, help="pulls are padded to a multiple of this, px")
