"""FFmpeg: the filter chain and a full command for each deliverable.

Numbers are in the frames as stored, so the command turns off the automatic rotation by a file's
display matrix and the chain turns the picture itself. `exact=1` keeps crop from rounding places
down to whole chroma samples. File names are placeholders; a label never reaches a shell unquoted.
"""

from __future__ import annotations

import shlex
from fractions import Fraction
from typing import Any

from tallwide.decision import Decision, Frame
from tallwide.geometry import pixel_shape
from tallwide.handoff.document import Document, Loss, file_stem, lost_beyond, one_line, unique_names
from tallwide.handoff.iiif import total_turn
from tallwide.job import Capture, Handoff, Roll, exact
from tallwide.mapping import delivered_raster

CARRIED = frozenset({"delivery_raster", "pixel_aspect", "delivery_turn", "roll", "squeeze"})
INPUT, OUTPUT = "INPUT", "OUTPUT"
# libavfilter transpose: 1 turns 90 degrees clockwise, 2 counter-clockwise; two flips are half a turn.
TURNS: dict[Roll, tuple[str, ...]] = {
    0: (),
    90: ("transpose=1",),
    180: ("hflip", "vflip"),
    270: ("transpose=2",),
}
# The largest denominator and numerator that setsar keeps without rounding (its option max).
LARGEST_SAR_TERM = 65_535


def sample_aspect(frame: Frame, capture: Capture) -> Fraction:
    """Return the shape of the delivered file's pixels: as asked for, or, without a raster, as recorded."""
    if frame.deliverable.raster is not None:
        shape = exact(frame.deliverable.pixel_aspect)
        return 1 / shape if frame.deliverable.delivery_turn in (90, 270) else shape
    shape = pixel_shape(capture)
    return 1 / shape if total_turn(frame, capture) in (90, 270) else shape


def filter_chain(frame: Frame, capture: Capture) -> str:
    """Return one frame's chain: crop, turn, scale, sample aspect."""
    rect = frame.rect
    links = [f"crop={rect.width}:{rect.height}:{rect.x}:{rect.y}:exact=1", *TURNS[total_turn(frame, capture)]]
    if frame.deliverable.raster is not None:
        size = delivered_raster(frame)
        links.append(f"scale={size.width}:{size.height}:flags=lanczos")
    shape = sample_aspect(frame, capture).limit_denominator(LARGEST_SAR_TERM)
    links.append(f"setsar=sar={shape.numerator}/{shape.denominator}:max={LARGEST_SAR_TERM}")
    return ",".join(links)


def command(chain: str, *, source: str, output: str) -> list[str]:
    """Return the arguments of a full command; the caller adds its encoder before the output.

    A file's display matrix would travel on to the turned picture and turn it again. The graph takes
    it off the frames, and its second input, which goes nowhere, keeps FFmpeg from copying it from
    the one stream that the output would otherwise be made of (measured with FFmpeg 5.1).
    """
    graph = f"[0:v:0]sidedata=mode=delete:type=DISPLAYMATRIX,{chain}[cut];[0:v:0]nullsink"
    return [
        "ffmpeg", "-hide_banner", "-nostdin", "-noautorotate", "-i", source,
        "-filter_complex", graph, "-map", "[cut]", output,
    ]  # fmt: skip


def write(decision: Decision, options: Handoff) -> Document:
    """Return chain and command of each deliverable, and a shell script that runs them all."""
    names = unique_names((frame.label for frame in decision.frames), fallback="frame")
    entries: list[dict[str, Any]] = []
    script = [
        "#!/bin/sh",
        "# Cuts one recording to every deliverable. Usage: sh this-file INPUT OUTPUT_FOLDER [ENDING]",
        f"# Decision {one_line(decision.decision_id or 'without id')}",
        "set -eu",
        "input=$1 folder=$2 ending=${3:-mov}",
    ]
    for frame, name in zip(decision.frames, names, strict=True):
        chain = filter_chain(frame, decision.capture)
        source = options.source or INPUT
        arguments = command(chain, source=as_file(source), output=f"{OUTPUT}/{name}.mov")
        entries.append(
            {
                "deliverable": frame.label,
                "filter": chain,
                "arguments": arguments,
                "command": shlex.join(arguments),
            }
        )
        quoted = shlex.join(command(chain, source="\0", output="\1"))
        line = quoted.replace(shlex.quote("\0"), '"$input"').replace(shlex.quote("\1"), f'"$folder/{name}.$ending"')
        script += [f"# {one_line(frame.label)}", line]
    return Document(
        form="ffmpeg",
        standard="FFmpeg filters crop, transpose, scale, setsar",
        media_type="text/x-shellscript; charset=utf-8",
        file_name=f"{file_stem(decision)}.sh",
        content=entries,
        raw=("\n".join(script) + "\n").encode(),
        lost=(*_own_losses(decision), *lost_beyond(decision, CARRIED)),
    )


def as_file(source: str) -> str:
    """Return a source that a command line cannot mistake for an option."""
    return f"./{source}" if source.startswith("-") else source


def _own_losses(decision: Decision) -> list[Loss]:
    losses = []
    for frame in decision.frames:
        rect = frame.rect
        if any(number % 2 for number in (rect.x, rect.y, rect.width, rect.height)):
            losses.append(
                Loss("chroma", "odd places or sizes: in 4:2:0 and 4:2:2 the chroma moves by half a sample", frame.label)
            )
        if total_turn(frame, decision.capture) in (90, 270):
            losses.append(Loss("turned_chroma", "a quarter turn resamples the chroma of 4:2:2", frame.label))
        raster = frame.deliverable.raster
        if raster is not None and (raster.width % 2 or raster.height % 2):
            losses.append(Loss("odd_raster", "encoders of 4:2:0 refuse an odd delivery raster", frame.label))
        shape = sample_aspect(frame, decision.capture)
        if shape.limit_denominator(LARGEST_SAR_TERM) != shape:
            losses.append(Loss("sample_aspect", "the sample aspect is rounded to terms up to 65535", frame.label))
    return losses
