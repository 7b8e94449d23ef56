"""The change-over: what is done, in order, when a camera is turned between passes. Common practice, no source.

A reminder for qualified people, not a method; makers' ratings and local rules decide.
"""

CHANGE_OVER = (
    "Clear the area below; a second means of support stays on until the camera is locked again.",
    "Turn at points that the makers rate for that position; level the body anew.",
    "Balance the head or stabiliser again, then re-attach the safety line.",
    "Set lens support, motors and matte box anew; turn filters whose direction matters (grads, polariser).",
    "Turn viewfinder and monitor; load the overlay for the new position.",
    "See that cards, buttons, battery, fans and antennas are free and rated for that position.",
    "Check the recorded horizon data and the roll in the clip's notes; photograph the framing chart again.",
)
