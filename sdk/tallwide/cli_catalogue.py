"""The command line of whole catalogues: what each command takes, and what it says. The work is the service's."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tallwide import cli

if TYPE_CHECKING:
    import argparse

_PART_CLIPS = 500_000


def add_commands(commands: Any) -> None:
    """Add `catalogue` with its own commands to the command line."""
    example = "tallwide catalogue run clips.parquet --deliverables wanted.json --out answers"
    words = "solve a whole catalogue of clips"
    catalogue = commands.add_parser(
        "catalogue", help=words, description="Solve a whole catalogue of clips.", epilog=f"example: {example}"
    )
    parts = catalogue.add_subparsers(required=True, metavar="COMMAND")
    run = cli.add_command(parts, "run", _guarded(run_clips), "do what is missing of a run, and sum it up", example)
    _takes_clips(run, nargs="*")
    run.add_argument("--shard", help="i/n: only every n-th part of a plan, from part i on (0 to n - 1); no summary")
    run.add_argument("--engine", choices=("threads", "dask"), default="threads", help="who works (default: threads)")
    run.add_argument("--threads", type=cli.whole_number(1, 256), help="threads (default: one a core)")
    run.add_argument("--scheduler", help="address of the Dask scheduler, such as tcp://head:8786")
    example = "tallwide catalogue plan clips.parquet --deliverables wanted.json --out answers"
    _takes_clips(cli.add_command(parts, "plan", _guarded(plan_clips), "cut a catalogue into parts", example), nargs="+")
    merge = cli.add_command(
        parts,
        "merge",
        _guarded(merge_parts),
        "verify all parts and sum them up",
        "tallwide catalogue merge --out answers",
    )
    merge.add_argument("--out", type=Path, required=True, help="folder of the plan")


def _takes_clips(command: argparse.ArgumentParser, *, nargs: str) -> None:
    command.add_argument(
        "clips", nargs=nargs, help="Parquet, CSV or NDJSON: files, folders, patterns; none is the plan's"
    )
    command.add_argument("--deliverables", help="file with a list of deliverables, or a job; - is standard input")
    command.add_argument("--out", type=Path, required=True, help="folder for the answers")
    command.add_argument(
        "--map", action="append", default=[], metavar="NAME=COLUMN", help="the clips' column for a name"
    )
    command.add_argument("--format", choices=("parquet", "csv", "ndjson"), help="of the answers (default: parquet)")
    command.add_argument(
        "--part-clips", type=cli.whole_number(1, 100_000_000), help=f"clips a part (default: {_PART_CLIPS:,})"
    )


def _guarded(run: cli.Command) -> cli.Command:
    """Return a command that says what is missing or wrong in the command line's own way."""

    def guarded(options: argparse.Namespace) -> int:
        try:
            from tallwide_service.catalogue.failures import CatalogueError, RefusedDeliverables  # noqa: PLC0415

            return run(options)
        except ImportError as error:
            raise cli.UsageError(f"this needs {error.name}: pip install 'tallwide[catalogue]'") from error
        except RefusedDeliverables as refusal:
            print(json.dumps(refusal.problem, indent=2, ensure_ascii=False), file=sys.stderr)
            return cli.REFUSED
        except CatalogueError as error:
            raise cli.UsageError(str(error)) from error

    return guarded


def plan_clips(options: argparse.Namespace) -> int:
    """Lay a plan down, and say what it reads and how many parts there are."""
    plan = _laid_down(options)
    parts = len(plan.parts)
    print(f"{plan.clips:,} clips in {parts:,} part{'s' * (parts != 1)}", file=sys.stderr)
    return cli.DONE


def _laid_down(options: argparse.Namespace) -> Any:
    from tallwide_service.catalogue.plan import make_plan  # noqa: PLC0415
    from tallwide_service.catalogue.run import checked_deliverables, lay_down  # noqa: PLC0415
    from tallwide_service.catalogue.summary import answers_in  # noqa: PLC0415

    if options.deliverables is None:
        raise cli.UsageError("clips need --deliverables")
    document = checked_deliverables(cli.read_json(options.deliverables))
    plan = make_plan(
        options.clips,
        document,
        _mapping(options.map),
        form=options.format or "parquet",
        part_clips=options.part_clips or _PART_CLIPS,
        without=answers_in(options.out),
    )
    lay_down(plan, options.out)
    own = [f"{name} from {column!r}" if name != column else name for name, column in plan.mapping.items()]
    print(f"reads {', '.join(own)}; defaults for all else", file=sys.stderr)
    return plan


def _mapping(written: list[str]) -> dict[str, str]:
    mapping = {}
    for each in written:
        name, equals, column = each.partition("=")
        if not equals or not column or name in mapping:
            raise cli.UsageError(f"--map is NAME=COLUMN, each name once, not {each!r}")
        mapping[name] = column
    return mapping


def run_clips(options: argparse.Namespace) -> int:
    """Do the missing parts of all or of a shard; sum up unless it is a shard."""
    from tallwide_service.catalogue.engines import cores  # noqa: PLC0415
    from tallwide_service.catalogue.plan import Plan  # noqa: PLC0415
    from tallwide_service.catalogue.progress import Progress  # noqa: PLC0415
    from tallwide_service.catalogue.run import Engine, Shard, do_missing  # noqa: PLC0415

    if (options.engine == "dask") != (options.scheduler is not None):
        raise cli.UsageError("--engine dask and --scheduler go together")
    if options.clips:
        plan = _laid_down(options)
    else:
        given = [name for name in ("deliverables", "format", "part_clips", "map") if getattr(options, name)]
        if given:
            raise cli.UsageError(f"--{given[0].replace('_', '-')} is the plan's: name the clips too, or leave it out")
        plan = Plan.read(options.out)
    shard = Shard(0, 1) if options.shard is None else Shard.of(options.shard)
    progress = Progress(sys.stderr)
    try:
        do_missing(
            plan, options.out, shard.parts(plan), Engine(options.threads or cores(), options.scheduler), progress
        )
    finally:
        progress.close()
    return cli.DONE if options.shard is not None else _summed_up(plan, options.out)


def merge_parts(options: argparse.Namespace) -> int:
    """Verify a run that shards did, and sum it up."""
    from tallwide_service.catalogue.plan import Plan  # noqa: PLC0415

    return _summed_up(Plan.read(options.out), options.out)


def _summed_up(plan: Any, folder: Path) -> int:
    from tallwide_service.catalogue.summary import merge  # noqa: PLC0415

    summary = merge(plan, folder)
    for each in summary["deliverables"]:
        words = f"{each['can_deliver']:,} of {summary['clips']:,} clips can deliver it"
        print(f"{each['deliverable']}: {'has no raster' if each['without_raster'] else words}")
    aside = summary["refused_rows"]
    if aside:
        print(
            f"{aside:,} row{'s' * (aside != 1)} set aside, with row, id and reason, in {folder / 'refused'}",
            file=sys.stderr,
        )
    return cli.DONE


__all__ = ["add_commands"]
