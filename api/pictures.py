"""Pictures as they are sent in, cleaned: nothing is kept of a file but what it shows."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass

from PIL import Image, ImageOps, UnidentifiedImageError

from engine.errors import PrepullError

FORMATS = ("JPEG", "PNG", "WEBP")
MOST_PIXELS = 60_000_000
LARGE, SMALL = 2000, 800
QUALITY = 82


class UnreadablePictureError(PrepullError):
    """The file is no picture of a kind that is taken, or a broken or enormous one."""


@dataclass(frozen=True)
class Picture:
    """A picture in two sizes as JPEG without any metadata; width and height [px] are of the larger."""

    image: bytes
    small: bytes
    width: int
    height: int


def clean(sent: bytes) -> Picture:
    """Return what a file shows, upright and no larger than is useful; raises `UnreadablePictureError`.

    The pixels are read and written anew: position, time, device, thumbnails and whatever else a file carries
    (Exif, XMP, IPTC, comments, data after its end) stay behind.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(sent), formats=FORMATS) as opened:
                if opened.width * opened.height > MOST_PIXELS:
                    raise UnreadablePictureError(
                        f"{opened.width} by {opened.height} pixels; at most {MOST_PIXELS} are taken"
                    )
                # A JPEG is decoded at about the size that is wanted, which bounds memory.
                opened.draft("RGB", (LARGE, LARGE))
                upright = ImageOps.exif_transpose(opened)
                flat = _on_white(upright)
    except UnreadablePictureError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise UnreadablePictureError(f"more than {MOST_PIXELS} pixels") from None
    except UnidentifiedImageError:
        raise UnreadablePictureError("no JPEG, PNG or WebP picture") from None
    except (OSError, SyntaxError, ValueError, EOFError, MemoryError) as error:
        raise UnreadablePictureError(
            f"the picture is broken: {str(error)[:200] or type(error).__name__}"
        ) from None
    flat.thumbnail((LARGE, LARGE))
    small = flat.copy()
    small.thumbnail((SMALL, SMALL))
    return Picture(_jpeg(flat), _jpeg(small), flat.width, flat.height)


def _on_white(picture: Image.Image) -> Image.Image:
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        layered = picture.convert("RGBA")
        flat = Image.new("RGB", layered.size, "white")
        flat.paste(layered, mask=layered.getchannel("A"))
        return flat
    return picture.convert("RGB")


def _jpeg(picture: Image.Image) -> bytes:
    bare = Image.new("RGB", picture.size)
    bare.paste(picture)
    written = io.BytesIO()
    bare.save(written, "JPEG", quality=QUALITY, optimize=True)
    return written.getvalue()
