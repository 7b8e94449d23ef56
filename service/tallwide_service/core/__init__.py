"""The computing core: pure functions from jobs to answers.

Standard library, numpy, shapely and the vocabulary; no web, no files, no clock, no environment.
"""

from tallwide_service.core.camera_match import match_cameras
from tallwide_service.core.coverage import coverage
from tallwide_service.core.extraction import Solution, solve
from tallwide_service.core.margin import margins
from tallwide_service.core.orientation import OrientationAdvice, orientation

__all__ = ["OrientationAdvice", "Solution", "coverage", "margins", "match_cameras", "orientation", "solve"]
