"""What the project claims of its speed, each in one place: the command measures it, the README shows it.

`aim` is what was asked for at the beginning, where that is not reached.
"""

from __future__ import annotations

from measure import Claim

FOUR_EXTRACTIONS = Claim("four extractions in whole numbers", "at most", 10, " us")
FOUR_AS_NOUNS = Claim("the same as a job of nouns, 12,288 x 8,640", "at most", 2, " ms", in_readme=False)

KERNEL_COPY = Claim("kernel: a rectangle in each of 2 million rasters, beside a copy of the same bytes", "at most", 5)
KERNEL_LOOP = Claim("kernel: beside a loop over Python's integers", "at least", 150)
KERNEL_PLAIN = Claim("kernel: beside plain numpy (64 bits, new arrays)", "at least", 3)
KERNEL_ALL_COLUMNS = Claim("kernel: all columns of an answer, beside a copy of the same bytes", "at most", 5)
CLIPS_GROUPED = Claim("clips of 300 modes, beside clips that all differ", "at most", 2, in_readme=False)
CLIPS_CIRCLE = Claim("clips with an image circle each, beside the exact solver", "at least", 50)

CATALOGUE_THREADS = Claim("catalogue: two threads beside one", "at least", 1.6)
CATALOGUE_DASK = Claim("catalogue: two Dask processes beside two threads", "at most", 1.2)

WIRE_MODES = Claim("Arrow: the way of a clip there and back, beside solving it (300 modes)", "at most", 6)
WIRE_DISTINCT = Claim("Arrow: the same, all clips differ", "at most", 6)
WIRE_LINES = Claim("Arrow: a clip beside one as a line of JSON", "at least", 50)
WIRE_CALLS = Claim("batch: a line beside a call of its own", "at least", 2)

JOINT_CIRCLE = Claim("joint: 3 frames in a circle, 12,288 x 8,640", "at most", 20, " ms", in_readme=False)
JOINT_RASTER = Claim("joint: 3 frames on one point, 12,288 x 8,640", "at most", 20, " ms", in_readme=False)
JOINT_EIGHT = Claim("joint: 8 frames in a circle beside 3", "at most", 3)
JOINT_MILP = Claim("joint: 3 frames on one point, `in_order`, beside SciPy's MILP", "at least", 20)
JOINT_SLSQP = Claim("joint: the same 3, `largest`, beside its relaxation without a grid by SLSQP", "at most", 3, aim=1)
JOINT_SLSQP_LINE = Claim(
    "joint: 3 on a line, in a circle, round a subject, beside the same by SLSQP", "at most", 10, aim=1
)
JOINT_HOSTILE = Claim("joint: the slowest of hostile jobs of 8 frames", "at most", 10, " s")

PNG_4K = Claim("overlay as PNG, 4,448 x 3,096, beside Pillow's palette mode", "at least", 3)
PNG_4K_SIZE = Claim("overlay as PNG, 4,448 x 3,096: its size beside Pillow's", "at most", 1, in_readme=False)
PNG_8K = Claim("overlay as PNG, 8,192 x 4,320, beside Pillow's palette mode", "at least", 5)
PNG_8K_SIZE = Claim("overlay as PNG, 8,192 x 4,320: its size beside Pillow's", "at most", 1, in_readme=False)

BURN_JPEG = Claim("burn-in: JPEG, 4,096 x 2,160, beside decoding and encoding it", "at most", 1.1)
BURN_PNG = Claim("burn-in: PNG, 4,096 x 2,160, beside the fastest of Pillow's", "at least", 2.5)
BURN_PNG_SIZE = Claim(
    "burn-in: size of that PNG beside the smallest of those, with noise", "at most", 1.1, in_readme=False
)
BURN_PNG_SIZE_SMOOTH = Claim("burn-in: the same without noise", "at most", 1.4, in_readme=False)

CALL_EXTRACTIONS = Claim("POST /v1/extractions, 4 deliverables, beside an empty endpoint", "at least", 0.75)
CALL_EXTRACTIONS_P99 = Claim("the same: p99 beside p50, 8 connections", "at most", 3)
CALL_MARGINS = Claim("POST /v1/margins, 4 deliverables, beside an empty endpoint", "at least", 0.75)
CALL_MARGINS_P99 = Claim("the same: p99 beside p50", "at most", 3, in_readme=False)

REDRAW_KEYS = Claim("page: redrawn after a key at the shared point", "at most", 100, " ms", in_readme=False)
REDRAW_DRAG = Claim("page: redrawn while the shared point is dragged", "at most", 100, " ms", in_readme=False)
REDRAW_SUBJECT = Claim("page: redrawn while the subject is dragged", "at most", 100, " ms", in_readme=False)
REDRAW_FIELD = Claim("page: redrawn after a field is written", "at most", 100, " ms", in_readme=False)
REDRAW_TURN = Claim("page: redrawn after a turn of the camera", "at most", 100, " ms", in_readme=False)
REDRAW_TURN_AFTER_REST = Claim("page: the same during the sweep before it", "at most", 250, " ms", in_readme=False)
REDRAW_SLIDER = Claim("page: redrawn after a step of the slider", "at most", 100, " ms", in_readme=False)

START_VERSION = Claim("start: tallwide --version, beside bare Python", "at most", 2.5)
START_SDK = Claim("start: import tallwide, beside import requests", "at most", 1.15)
START_CLIENT = Claim("start: from tallwide import Client, beside import requests", "at most", 2)
START_SERVICE = Claim("start: the service's application, beside its libraries", "at most", 2, aim=1.15)

CLAIMS = tuple(claim for claim in list(vars().values()) if isinstance(claim, Claim))
