"""Cautions that stand beside every plan that turns a camera and every answer about a rig. Common practice, no source.

They are reminders for qualified people, not a method; makers' ratings and local rules decide.
"""

TURNED_CAMERA = (
    "Ratings are the makers': mount the turned camera only at points that the makers of the camera and of the plate "
    "rate for the load in that position; side faces and accessory threads are often not meant to carry it. No load is "
    "calculated here and none is promised.",
    "Rebalance the head or stabiliser, re-secure the rig and attach its safety line again after every turn.",
    "Give camera, lens and whatever hangs on them a second means of support that is independent of the first, above "
    "all over people.",
    "Vibration and movement loosen what is turned, above all quick releases and screws that now take the load "
    "sideways: check them again during the day.",
    "Check cables, cards, batteries, cooling openings, viewfinder and monitor in the turned position before people "
    "work near it.",
    "Follow local rules and leave rigging, above all overhead or on vehicles, to qualified people.",
)
