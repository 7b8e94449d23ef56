"""Arrow: clips and frames as columns of Arrow, for whole archives and for tables on the wire.

    cells.py     cells of any kind as the columns of numbers that the core takes
    frames.py    the core's frames as rows, one a clip and deliverable; what is refused, as problems

Needs pyarrow (the extras `arrow` and `catalogue`), which is imported here, in `catalogue` and in `api.clips` alone.
"""
