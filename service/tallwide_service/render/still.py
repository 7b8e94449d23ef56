"""Stills: reading an uploaded photograph without trusting it, and mapping it onto a job's pictures.

A still is decoded only after its header has shown its format and its size. What comes out is plain
RGB in sRGB, 8 bits, without metadata, as it was recorded: a still whose EXIF orientation turned it
upright is turned back.
"""

from __future__ import annotations

import io
import math
import warnings
from dataclasses import dataclass
from fractions import Fraction
from typing import IO, Literal

import numpy as np
from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError

from tallwide.answers import Rect
from tallwide.geometry import opposite_roll
from tallwide.job import Capture, Roll
from tallwide_service.core.view import View
from tallwide_service.errors import JobError
from tallwide_service.render.decoding import BITS_PER_SAMPLE, decoding_bytes, oddly_typed_field, scans_of

FORMATS = {"PNG": "image/png", "JPEG": "image/jpeg", "TIFF": "image/tiff"}
# Modes that become RGB without a second picture of four channels or of 16 bits.
_SMALL_MODES = ("1", "L", "P", "RGB", "YCbCr")
_SIGNATURES = {
    b"\x89PNG\r\n\x1a\n": "PNG",
    b"\xff\xd8\xff": "JPEG",
    b"II*\x00": "TIFF",
    b"MM\x00*": "TIFF",
}
# Rows that are resized at once, and rows beyond the reach of the filter: 3 px of the coarser picture.
_BAND_ROWS, _SPARE_ROWS = 256, 8
_ORIENTATION = 0x0112  # EXIF 2.32 and TIFF 6.0
_TO_BE_TURNED = "of a still that has to be turned"
# Pillow turns counter-clockwise.
_TRANSPOSES = {
    90: Image.Transpose.ROTATE_270,
    180: Image.Transpose.ROTATE_180,
    270: Image.Transpose.ROTATE_90,
}


class StillRefused(JobError):
    """The uploaded still cannot be used: not a picture that is read, damaged, too large, or of the wrong size."""

    slug, title = "still", "The still cannot be used"


@dataclass(frozen=True, slots=True)
class Bounds:
    """How many pixels and bytes of a still are held in memory, and how many scans of a JPEG are gone through.

    `most_px` where it is decoded once; `most_turned_px` where a second picture of its size is
    needed to turn it; `most_deep_px` where it has 16 bits a channel, transparency or four inks.
    `most_decoding_bytes` are those of the file, of what it is decoded to, and of what its decoder holds beside.
    """

    most_px: int
    most_turned_px: int
    most_deep_px: int
    most_decoding_bytes: int
    most_scans: int


@dataclass(slots=True)
class Still:
    """A still as recorded: 8-bit RGB in the size of the recorded raster, and the EXIF orientation that it had.

    It holds the only reference to a large picture, so that `take` lets it go when it has been used.
    """

    picture: Image.Image | None
    orientation: int

    @property
    def recorded(self) -> Image.Image:
        """The picture, which the still keeps."""
        if self.picture is None:
            raise ValueError("the still has been taken")
        return self.picture

    def take(self) -> Image.Image:
        """Return the picture, which the still forgets."""
        picture, self.picture = self.recorded, None
        return picture


def read_still(
    file: IO[bytes],
    capture: Capture,
    *,
    fit: Literal["exact", "scale"],
    bounds: Bounds,
    declared: str | None = None,
) -> Still:
    """Return an uploaded still in the recorded raster's size and position; its file is closed.

    Parameters
    ----------
    fit
        Whether a still of another size is refused or scaled.
    bounds
        How many pixels are held, see `Bounds`.
    declared
        Media type that the upload states; `None` or `application/octet-stream` state nothing.

    Raises
    ------
    StillRefused
        If it is none of PNG, JPEG and TIFF, declared as another, damaged, too large, or of the wrong size.
    """
    kind = _kind(file, declared)
    raster = capture.raster
    if raster.width * raster.height > bounds.most_px:
        size = f"{raster.width} x {raster.height}"
        raise StillRefused(
            f"stills have at most {bounds.most_px} px, and the recorded raster is {size} px",
            limit=bounds.most_px,
            got=raster.width * raster.height,
        )
    picture, orientation = _decoded(file, kind, bounds)
    # Nothing reads the file again; its memory is needed for what is made of the still.
    file.close()
    picture = _plain(picture)
    turned = orientation in (5, 6, 7, 8) or orientation == 3
    if orientation != 1:
        picture = ImageOps.exif_transpose(_with_orientation(picture, orientation))
        picture.info.clear()
    recorded = _as_recorded(picture, capture, bounds, is_upright=turned and capture.roll != 0)
    if recorded.size != (raster.width, raster.height):
        if fit == "exact":
            width, height = recorded.size
            raise StillRefused(
                f"the still is {width} x {height} px and the recorded raster {raster.width} x {raster.height} px; "
                'plate.fit "scale" would scale it'
            )
        both_px = recorded.width * recorded.height + raster.width * raster.height
        if both_px > 2 * bounds.most_turned_px:
            raise StillRefused(
                f"a still is scaled where it and the raster have at most {2 * bounds.most_turned_px} px",
                limit=2 * bounds.most_turned_px,
                got=both_px,
            )
        recorded = resized(recorded, (raster.width, raster.height), (0, 0, *recorded.size))
    return Still(recorded, orientation)


def _kind(file: IO[bytes], declared: str | None) -> str:
    """Return the format that the first bytes show, or refuse."""
    head = file.read(16)
    file.seek(0)
    if not head:
        raise StillRefused("the still is empty")
    kind = next((name for signature, name in _SIGNATURES.items() if head.startswith(signature)), None)
    if kind is None:
        raise StillRefused("the still is none of PNG, JPEG and TIFF, by its first bytes")
    if declared not in (None, "", "application/octet-stream", FORMATS[kind]):
        raise StillRefused(f"the still is declared as {str(declared)[:60]} and is {FORMATS[kind]}")
    return kind


def _decoded(file: IO[bytes], kind: str, bounds: Bounds) -> tuple[Image.Image, int]:
    """Return the decoded picture and its EXIF orientation; its header is believed before its data."""
    with warnings.catch_warnings():
        # The bound on pixels is ours and lower than Pillow's; of its other remarks a hostile file would fill the log.
        warnings.simplefilter("ignore")
        try:
            picture = Image.open(file, formats=[kind])
        except Image.DecompressionBombError as error:
            raise StillRefused(
                f"the still promises more pixels than are decoded; at most {bounds.most_px} px are"
            ) from error
        except UnidentifiedImageError as error:  # its own words are about a Python object
            raise StillRefused(
                f"the still's header cannot be read: it begins as {FORMATS[kind]} does, and is cut short or damaged"
            ) from error
        except Exception as error:  # decoders raise whatever they like on damaged data
            raise StillRefused(f"the still's header cannot be read: {_short(error)}") from error
        is_deep = 16 in tuple(getattr(picture, "tag_v2", {}).get(BITS_PER_SAMPLE, ()))
        is_small = picture.mode in _SMALL_MODES and not is_deep
        if is_small:
            _refuse_large(picture.size, bounds.most_px)
        else:
            _refuse_large(picture.size, bounds.most_deep_px, "with 16 bits a channel, transparency or four inks")
        try:
            _refuse_much_memory(picture, kind, file, bounds)
            if _holds_several(picture):
                raise StillRefused("the still holds several pictures")
            orientation = int(picture.getexif().get(_ORIENTATION, 1))
            if orientation != 1:
                _refuse_large(picture.size, bounds.most_turned_px, _TO_BE_TURNED)
            picture.load()
        except StillRefused:
            raise
        except Exception as error:  # decoders raise whatever they like on damaged data
            raise StillRefused(f"the still is damaged or cut short: {_short(error)}") from error
    if kind == "TIFF":
        # A picture that still knew its file's tags would hand them on.
        for tags in ("tag", "tag_v2", "ifd"):
            vars(picture).pop(tags, None)
    return picture, orientation if orientation in range(1, 9) else 1


def _holds_several(picture: Image.Image) -> bool:
    """Whether a file holds more than one picture; a hostile TIFF's are not counted, which would take seconds."""
    if picture.format != "TIFF":
        return getattr(picture, "n_frames", 1) != 1
    try:
        picture.seek(1)
    except EOFError:
        return False
    return True


def _refuse_much_memory(picture: Image.Image, kind: str, file: IO[bytes], bounds: Bounds) -> None:
    """Refuse what takes too much to decode, and a JPEG of more scans than any has: each goes over the whole picture."""
    file.seek(0)
    data = file.getbuffer() if isinstance(file, io.BytesIO) else memoryview(file.read())
    odd = oddly_typed_field(data) if kind == "TIFF" else None
    if odd is not None:
        raise StillRefused(f"field {odd} of the TIFF is neither SHORT nor LONG, as TIFF 6.0 has it")
    scans = scans_of(data, bounds.most_scans) if kind == "JPEG" else None
    if scans is not None and scans.count > bounds.most_scans:
        detail = f"the JPEG has more than {bounds.most_scans} scans"
        raise StillRefused(detail, limit=bounds.most_scans, got=scans.count)
    taken = decoding_bytes(picture, len(data), scans)
    if taken > bounds.most_decoding_bytes:
        raise StillRefused(
            f"decoding the still takes {taken} bytes: the file, the picture, and what its form needs beside them; "
            f"at most {bounds.most_decoding_bytes} are allowed. A TIFF of smaller strips or tiles, or a JPEG of one "
            "scan (not progressive), takes less",
            limit=bounds.most_decoding_bytes,
            got=taken,
        )


def _refuse_large(size: tuple[int, int], most_px: int, where: str = "") -> None:
    width, height = size
    if width * height > most_px:
        detail = f"the still has {width} x {height} px; at most {most_px} px are decoded {where}".rstrip()
        raise StillRefused(detail, limit=most_px, got=width * height)


def _plain(picture: Image.Image) -> Image.Image:
    """Return a picture as 8-bit RGB in sRGB without metadata; transparency lies on black."""
    profile = picture.info.get("icc_profile")
    if picture.mode.startswith("I;16"):
        # The high byte, as the decoder has it of three channels of 16 bits.
        picture = Image.fromarray((np.asarray(picture) >> 8).astype(np.uint8))
    elif picture.mode in ("I", "F"):
        raise StillRefused("the still has 32 bits a channel; 8 and 16 are read")
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        with_alpha = picture if picture.mode == "RGBA" else picture.convert("RGBA")
        picture = Image.new("RGB", picture.size)
        picture.paste(with_alpha, mask=with_alpha.getchannel("A"))
    if picture.mode != "RGB":
        picture = picture.convert("RGB")
    elif profile:
        picture = _in_srgb(picture, profile)
    picture.info.clear()
    return picture


def _in_srgb(picture: Image.Image, profile: bytes) -> Image.Image:
    """Return a picture as its colour profile means it, in sRGB; as it is where the profile is broken."""
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        ImageCms.profileToProfile(picture, source, ImageCms.createProfile("sRGB"), inPlace=True)
    except (ImageCms.PyCMSError, OSError, ValueError):
        return picture
    return picture


def _with_orientation(picture: Image.Image, orientation: int) -> Image.Image:
    picture.getexif()[_ORIENTATION] = orientation
    return picture


def _as_recorded(picture: Image.Image, capture: Capture, bounds: Bounds, *, is_upright: bool) -> Image.Image:
    """Return a picture as it was recorded: turned back where it is upright and the camera was turned.

    It is upright where its EXIF orientation made it so, or where only then its size fits.
    """
    raster, upright = capture.raster, capture.upright_raster
    size = picture.size
    fits_upright_only = size == (upright.width, upright.height) and size != (raster.width, raster.height)
    leans = (size[0] > size[1]) != (raster.width > raster.height) and raster.width != raster.height
    if capture.roll and (is_upright or fits_upright_only or (capture.is_on_its_side and leans)):
        _refuse_large(picture.size, bounds.most_turned_px, _TO_BE_TURNED)
        return turned(picture, opposite_roll(capture.roll))
    return picture


def turned(picture: Image.Image, roll: Roll) -> Image.Image:
    """Return a picture turned clockwise."""
    return picture.transpose(_TRANSPOSES[roll]) if roll else picture


def in_view(still: Still, view: View) -> Image.Image:
    """Take a still and return it as a view shows it, black where the view shows nothing of it."""
    upright = turned(still.take(), view.roll)
    (sx, sy), (dx, dy) = view.scale, view.shift
    # What of the still is seen, in its own pixels, and where that lies in the view.
    left, top = _larger(-dx / sx, 0), _larger(-dy / sy, 0)
    right = -_larger((dx - view.width) / sx, -upright.width)
    bottom = -_larger((dy - view.height) / sy, -upright.height)
    first = round(left * sx + dx), round(top * sy + dy)
    last = round(right * sx + dx), round(bottom * sy + dy)
    size = (max(last[0] - first[0], 1), max(last[1] - first[1], 1))
    box = (float(left), float(top), float(right), float(bottom))
    is_whole = size == upright.size and box == (0, 0, *upright.size)
    shown = upright if is_whole else resized(upright, size, box)
    if size == (view.width, view.height):
        return shown
    ground = Image.new("RGB", (view.width, view.height))
    ground.paste(shown, first)
    return ground


def _larger(one: Fraction, other: int) -> Fraction:
    return one if one > other else Fraction(other)


def resized(
    picture: Image.Image, size: tuple[int, int], box: tuple[float, float, float, float], roll: Roll = 0
) -> Image.Image:
    """Return a part of a picture in another size, by Lanczos, then turned clockwise; a band of rows at a time.

    At once it would need a picture as wide as the one and as high as the other in between, and one
    more to turn it. Bands are made with rows to spare above and below, further than the filter
    reaches, which are dropped. `size` is that before the turn.
    """
    (width, height), (left, top, right, bottom) = size, box
    scale = (bottom - top) / height
    spare = math.ceil(_SPARE_ROWS * max(1.0, 1 / scale))
    out = Image.new("RGB", before_turn(size, roll))
    for first in range(0, height, _BAND_ROWS):
        last = min(first + _BAND_ROWS, height)
        above, below = max(first - spare, 0), min(last + spare, height)
        window = (left, top + above * scale, right, min(top + below * scale, bottom))
        wider = picture.resize((width, below - above), Image.Resampling.LANCZOS, box=window)
        band = turned(wider.crop((0, first - above, width, last - above)), roll)
        place = {0: (0, first), 90: (height - last, 0), 180: (0, height - last), 270: (first, 0)}[roll]
        out.paste(band, place)
    return out


def cut_out(recorded: Image.Image, rect: Rect, roll: Roll, size: tuple[int, int]) -> Image.Image:
    """Return one extraction of a recorded still, upright, in a size of its own."""
    box = (rect.x, rect.y, rect.right, rect.bottom)
    return resized(recorded, before_turn(size, roll), box, roll)


def before_turn(size: tuple[int, int], roll: Roll) -> tuple[int, int]:
    """Return the size, as recorded, of what is so large when it stands upright."""
    return size[::-1] if roll in (90, 270) else size


def _short(error: Exception) -> str:
    return (str(error) or type(error).__name__).splitlines()[0][:160]
