"""What stands in front of every endpoint: names, access, places to compute in, deadlines, the journal.

A WSGI layer, so that whatever answers behind it (Flask, or something quicker) gets the same treatment.
`Entrance` (`layer.py`) goes through it in order; each module here knows one part and nothing of the others.
"""
