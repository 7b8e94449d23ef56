"""How long large pictures take, in one process, server left out: `python tests/benchmarks/largest_pictures.py`.

Six frames on 8,192 x 4,320; the still is scikit-image's coffee.png, enlarged, with a sensor's noise.
"""

from __future__ import annotations

import argparse
import sys
from functools import partial

from burning_in import photograph, saved
from measure import in_turn, timed

from tallwide import Client

SIZE = (8192, 4320)
JOB = {
    "capture": {"label": "A", "raster": {"width": SIZE[0], "height": SIZE[1]}, "photosite_pitch_um": 4},
    "deliverables": [
        {"label": aspect, "aspect": aspect} for aspect in ("16:9", "9:16", "1:1", "4:5", "2.39:1", "1.85:1")
    ],
}


def main() -> None:
    """Print a line a picture."""
    parser = argparse.ArgumentParser(prog="python tests/benchmarks/largest_pictures.py", description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    client, still = Client(), saved(photograph().resize(SIZE), "JPEG", quality=92, subsampling=0)
    pictures = {
        "overlay as SVG": partial(client.overlay, JOB),
        "overlay as PNG": partial(client.overlay, JOB, media_type="image/png"),
        "chart as PDF": partial(client.chart, {**JOB, "chart": {"paper": "A2"}}),
        "sheet as PDF": partial(client.sheet, JOB),
        "JPEG burned in, as JPEG": partial(client.overlay, JOB, media_type="image/jpeg", still=still),
        "JPEG burned in, as PNG": partial(client.overlay, JOB, media_type="image/png", still=still),
    }
    times = in_turn(rounds, *(partial(timed, picture) for picture in pictures.values()))
    for name, seconds in zip(pictures, times, strict=True):
        sys.stdout.write(f"{name:<25}{seconds * 1e3:7.0f} ms\n")


if __name__ == "__main__":
    main()
