"""Commands of hand-off: write a form, read it back, map, check a file, compare.

With `--from ANSWER`, a saved answer of extractions, they work offline on the standard library alone:
no service, no solving again. Without it, the job goes to the service first.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tallwide import cli, handoff
from tallwide.check import MediaCheck, check_media
from tallwide.compare import compare_frames, frames_read, known_frames
from tallwide.decision import Decision, read_answer
from tallwide.handoff import Document, ReadOptions, UnreadableForm
from tallwide.job import Handoff, Media, Places, Pull, Raster, Space
from tallwide.mapping import mapped_places
from tallwide.wire import from_wire, to_wire

if TYPE_CHECKING:
    import argparse

REFUSED, DONE = cli.REFUSED, cli.DONE


def add_commands(commands: Any) -> None:
    """Add the commands of this module to the command line."""
    _add_handoff(commands)
    _add_read(commands)
    _add_map(commands)
    _add_check(commands)
    _add_compare(commands)


def _add_handoff(commands: Any) -> None:
    example = "tallwide handoff framing-decision-list job.json --out harbour.fdl"
    command = cli.add_command(commands, "handoff", run_handoff, "write the decision in an open form", example)
    command.add_argument("form", choices=handoff.FORMS, help="open form")
    _takes_decision(command)
    command.add_argument("--source", help="name or address of the recorded file, as the receiver knows it")
    command.add_argument("--language", help="BCP 47 tag of the labels' language")
    _takes_pull(command)
    command.add_argument("--envelope", action="store_true", help="JSON with the document and what it cannot carry")
    command.add_argument("--out", type=Path, help="file or folder (default: standard output)")


def _add_read(commands: Any) -> None:
    example = "tallwide read framing-decision-list harbour.fdl"
    command = cli.add_command(commands, "read", run_read, "read a document back", example)
    command.add_argument("form", choices=tuple(handoff.READERS), help="open form")
    command.add_argument("file", help="file with the document; - is standard input")
    _takes_reading(command)


def _add_map(commands: Any) -> None:
    example = "tallwide map --from answer.json --source delivery:tall --target recorded --point 540,960"
    command = cli.add_command(commands, "map", run_map, "map places between spaces", example)
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
    command = cli.add_command(commands, "check", run_check, "say whether a file holds the recording", example)
    command.add_argument("file", type=Path, help="clip or still")
    _takes_decision(command)


def _add_compare(commands: Any) -> None:
    example = "tallwide compare job.json --with new.fdl --form framing-decision-list"
    command = cli.add_command(commands, "compare", run_compare, "say what moved", example)
    _takes_decision(command)
    command.add_argument("--with", dest="other", required=True, help="another job, saved answer, or a document")
    command.add_argument("--form", choices=tuple(handoff.READERS), help="form of the document")
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


def decision_of(options: argparse.Namespace) -> Decision:
    """Return the decision in a saved answer, or the one that the service finds for a job."""
    if options.answer is not None:
        return _saved(cli.read_json(options.answer), options.answer)
    answer = cli.client_of(options).extractions(cli.read_json(options.job))
    return read_answer(to_wire(answer))


def _saved(document: Any, name: str) -> Decision:
    try:
        return read_answer(document)
    except ValueError as error:
        raise cli.UsageError(f"{name}: {error}") from error


def _pull(options: argparse.Namespace) -> Pull | None:
    if options.overscan_px is None and options.overscan_share is None and options.multiple == 1:
        return None
    try:
        return Pull(options.overscan_px, options.overscan_share, options.multiple)
    except ValueError as error:
        raise cli.UsageError(str(error)) from error


def run_handoff(options: argparse.Namespace) -> int:
    """Write a document; what it cannot carry goes to standard error."""
    wanted = Handoff(options.source, options.language, _pull(options))
    try:
        decision = decision_of(options)
        document = handoff.write(decision, options.form, wanted)
    except ValueError as error:
        raise cli.UsageError(str(error)) from error
    if options.envelope:
        return cli.print_json(envelope(decision, document))
    for loss in document.lost:
        whose = "" if loss.deliverable is None else f" ({loss.deliverable})"
        print(f"not carried: {loss.detail}{whose}", file=sys.stderr)
    if options.out is None:
        sys.stdout.buffer.write(document.raw)
        return DONE
    target = options.out / document.file_name if options.out.is_dir() else options.out
    target.write_bytes(document.raw)
    return DONE


def envelope(decision: Decision, document: Document) -> dict[str, Any]:
    """Return a document with what it cannot carry, as the service sends it, without the answer's own names."""
    return {
        "engine_version": decision.engine_version,
        "decision_id": decision.decision_id,
        "form": document.form,
        "standard": document.standard,
        "media_type": document.media_type,
        "file_name": document.file_name,
        "document": document.content,
        "lost": to_wire(document.lost),
    }


def run_read(options: argparse.Namespace) -> int:
    """Read a document back; faults go to standard error, each with its clause."""
    reading = _read(options.form, options.file, options)
    return REFUSED if reading is None else cli.print_json(to_wire(reading))


def _read(form: str, name: str, options: argparse.Namespace) -> Any:
    try:
        data = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
        text = data.decode("utf-8")
    except OSError as error:
        raise cli.UsageError(f"{name} cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise cli.UsageError(f"{name} is not UTF-8") from error
    try:
        return handoff.read(text, form, ReadOptions(options.lenient, _raster(options.raster)))
    except UnreadableForm as error:
        for fault in error.faults:
            print(f"{fault.pointer} {fault.detail} ({fault.clause})", file=sys.stderr)
        return None


def _raster(written: str | None) -> Raster | None:
    if written is None:
        return None
    width, _, height = written.lower().partition("x")
    try:
        return Raster(int(width), int(height))
    except ValueError as error:
        raise cli.UsageError(f'a raster is written WxH, such as 4800x3200, not "{written}"') from error


def run_map(options: argparse.Namespace) -> int:
    """Map places, and print them with the map itself."""
    decision = decision_of(options)
    try:
        return cli.print_json(to_wire(mapped_places(decision, _places(options, decision))))
    except (KeyError, ValueError) as error:
        raise cli.UsageError(str(error.args[0])) from error


def _places(options: argparse.Namespace, decision: Decision) -> Places:
    if options.source is None and options.target is None and decision.job.map is not None:
        return decision.job.map
    if options.source is None or options.target is None:
        raise cli.UsageError("a map needs --source and --target, or a job with a member map")
    points = tuple(_numbers(point, 2) for point in options.point)
    rects = tuple(_numbers(rect, 4) for rect in options.rect)
    return Places(
        _space(options.source, options),
        _space(options.target, options),
        "centres" if options.centres else "edges",
        points,  # type: ignore[arg-type]
        rects,  # type: ignore[arg-type]
    )


def _numbers(written: str, count: int) -> tuple[str, ...]:
    numbers = tuple(number.strip() for number in written.split(","))
    if len(numbers) != count:
        raise cli.UsageError(f'"{written}" has {len(numbers)} numbers, not {count}')
    return numbers


def _space(written: str, options: argparse.Namespace) -> Space:
    name, _, label = written.partition(":")
    media = from_wire(Media, cli.read_json(options.media)) if name == "media" and options.media else None
    pull = (_pull(options) or Pull()) if name == "pull" else None
    return from_wire(Space, {"space": name}) if not (label or media or pull) else _filled(name, label, media, pull)


def _filled(name: str, label: str, media: Media | None, pull: Pull | None) -> Space:
    return replace(from_wire(Space, {"space": name}), deliverable=label or None, media=media, pull=pull)


def run_check(options: argparse.Namespace) -> int:
    """Check a file; the exit code is 1 where it does not fit."""
    from tallwide.media_file import UnreadableFile, read_facts  # noqa: PLC0415 - its readers are not everywhere

    try:
        facts = read_facts(options.file)
        check: MediaCheck = check_media(decision_of(options), facts)
    except (UnreadableFile, ValueError) as error:
        raise cli.UsageError(str(error)) from error
    cli.print_json({"file": to_wire(facts), "check": to_wire(check)})
    return REFUSED if check.verdict == "does_not_fit" else DONE


def run_compare(options: argparse.Namespace) -> int:
    """Compare with another job, a saved answer or a document; the exit code is 1 where the picture is another."""
    decision = decision_of(options)
    if options.form is not None:
        options.raster = options.raster or f"{decision.capture.raster.width}x{decision.capture.raster.height}"
        reading = _read(options.form, options.other, options)
        if reading is None:
            return REFUSED
        other = frames_read(reading)
    else:
        document = cli.read_json(options.other)
        if not (isinstance(document, dict) and "extractions" in document):
            document = to_wire(cli.client_of(options).extractions(document))
        other = known_frames(_saved(document, options.other))
    try:
        comparison = compare_frames(known_frames(decision), other, tolerance_px=options.tolerance_px)
    except ValueError as error:
        raise cli.UsageError(str(error)) from error
    cli.print_json(to_wire(comparison))
    return DONE if comparison.same_picture else REFUSED
