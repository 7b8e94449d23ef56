"""Cautions that stand beside every plan that turns a camera. Common practice, no source.

They are reminders for qualified people, not a method; makers' ratings and local rules decide.
"""

TURNED_CAMERA = (
    "Mount the turned camera only at points that the makers of the camera and of the plate rate for the load in that "
    "position; side faces and accessory threads are often not meant to carry it.",
    "Rebalance the head or stabiliser, re-secure the rig and attach its safety line again after every turn.",
    "Check cables, cards, batteries, cooling openings, viewfinder and monitor in the turned position before people "
    "work near it.",
    "Follow local rules and leave rigging, above all overhead or on vehicles, to qualified people.",
)
