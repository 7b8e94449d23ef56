"""Decisions to the documents of open standards, one file a standard."""
