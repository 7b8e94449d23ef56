"""What the commands of hand-off do: write a form, read it back, map, check a file, compare.

With a saved answer of extractions they work offline on the standard library alone: no service, no
solving again. Without one, the job goes to the service first. Imported when such a command runs.
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


def decision_of(options: argparse.Namespace) -> Decision:
    """Return the decision in a saved answer, or the one that the service finds for a job."""
    if options.answer is not None:
        return _saved(cli.read_json(options.answer), options.answer)
    answer = cli.client_of(options).extractions(cli.read_job(options))
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
        return cli.DONE
    target = options.out / document.file_name if options.out.is_dir() else options.out
    target.write_bytes(document.raw)
    return cli.DONE


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
    return cli.REFUSED if reading is None else cli.print_json(to_wire(reading))


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
    return cli.REFUSED if check.verdict == "does_not_fit" else cli.DONE


def run_compare(options: argparse.Namespace) -> int:
    """Compare with another job, a saved answer or a document; the exit code is 1 where the picture is another."""
    decision = decision_of(options)
    if options.form is not None:
        options.raster = options.raster or f"{decision.capture.raster.width}x{decision.capture.raster.height}"
        reading = _read(options.form, options.other, options)
        if reading is None:
            return cli.REFUSED
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
    return cli.DONE if comparison.same_picture else cli.REFUSED
