"""A whole catalogue: files of clips against one list of deliverables, part by part, on one machine or many.

    sources.py     which files there are, and how they are cut into parts
    reading.py     a part's clips as columns, whatever the file was
    plan.py        what is to be done, as a document that every worker reads
    part.py        one part: read, solve, write aside, rename
    engines.py     who does the parts: threads of this process, or a Dask cluster
    summary.py     the whole, verified: counts by camera mode, histogram, list of files

A part is the same whoever does it and when, so the output's bytes depend on the plan alone.
Needs the extra `catalogue`; pyarrow is imported here and nowhere else, Dask when it is asked for.
"""
