"""Decisions to pictures: a display list, and the writers that draw it."""

from tallwide_service.render.overlay import overlay_scene
from tallwide_service.render.png import png
from tallwide_service.render.scene import Scene
from tallwide_service.render.svg import svg

__all__ = ["Scene", "overlay_scene", "png", "svg"]
