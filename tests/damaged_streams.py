"""Streams of Arrow, damaged by chance: each must be answered or refused, in words, by a process that lives on.

    PYTHONPATH=tests python -m damaged_streams --seconds 600 --seed 7

prints what was said how often. The test sends fewer, in a process of its own.
"""

from __future__ import annotations

import argparse
import json
import random
import time
from collections import Counter
from itertools import count

import pyarrow as pa

from clip_archive import WANTED, archive
from clip_streams import ARROW, read, written
from tallwide_service import create_app
from tallwide_service.settings import Settings

NUMBERS = (0, 1, -1, 8, 24, 2**16, 2**31 - 1, 2**31, 2**40, 2**63 - 1, -(2**63))
CUTS = (1, 4, 8, 64)


def whole_streams() -> list[bytes]:
    """Streams with every kind of column, with and without nulls, in one batch and in several."""
    plain = archive(20).drop_columns(["mode"])
    axes = pa.array([("sensor_width", None, "sensor_height")[row % 3] for row in range(20)])
    rich = plain.set_column(0, "id", pa.array([None if row % 3 else row for row in range(20)], pa.int64()))
    rich = rich.append_column("squeeze_axis", axes).append_column("grid_x_px", pa.nulls(20))
    rich = rich.append_column("align_x", pa.array([None if row % 2 else 0.25 for row in range(20)], pa.float32()))
    large = plain.set_column(0, "id", plain["id"].cast(pa.large_string()))
    return [written(table, WANTED, batch_rows=rows) for table in (plain, rich, large) for rows in (7, 20)]


def damaged(stream: bytes, chance: random.Random) -> bytes:
    """Return a stream with some bytes, some numbers or some of its length changed."""
    body = bytearray(stream)
    for _ in range(chance.choice((1, 1, 2, 4, 8))):
        place = chance.randrange(len(body))
        match chance.randrange(5):
            case 0:
                body[place] = chance.randrange(256)
            case 1:
                body[place] ^= 1 << chance.randrange(8)
            case 2:
                start = place & ~7
                body[start : start + 8] = chance.choice(NUMBERS).to_bytes(8, "little", signed=True)
            case 3:
                start = place & ~3
                body[start : start + 4] = (chance.choice(NUMBERS) & 0xFFFFFFFF).to_bytes(4, "little")
            case _:
                del body[place : place + chance.choice(CUTS)]
        if not body:
            break
    return bytes(body)


def main(seed: int, streams: int | None = None, seconds: float = 1e9) -> Counter[str]:
    """Send damaged streams; fail where one is answered in no words."""
    client = create_app(Settings(log=False)).test_client()
    chance, whole, said = random.Random(seed), whole_streams(), Counter()  # noqa: S311 - the same streams every time
    ends_s = time.monotonic() + seconds
    for number in count():
        if number == streams or time.monotonic() > ends_s:
            break
        response = client.post("/v1/batch", data=damaged(chance.choice(whole), chance), content_type=ARROW)
        if response.status_code == 200:
            got = read(response.data)
            assert got.end is not None, (seed, number)
            assert got.end["rows"] == got.rows.num_rows, (seed, number)
            said["answered" if got.end["complete"] else f"on the way: {got.end['problem']['status']}"] += 1
            assert got.end["complete"] or got.end["problem"]["status"] < 500, (seed, number, got.end)
        else:
            assert 400 <= response.status_code < 500, (seed, number, response.data)
            said[f"at once: {response.status_code} {json.loads(response.data)['type']}"] += 1
    return said


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for words, times in main(options.seed, seconds=options.seconds).most_common():
        print(f"{times} {words}")
