"""A still picture from a file: its size is known before it is decoded, for a small file can hold a vast picture."""

from __future__ import annotations

import warnings
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, UnidentifiedImageError

from analysis.trouble import Trouble
from vision.opening import SMALLEST_SIDE_PX

KINDS = ("JPEG", "PNG", "TIFF", "BMP", "WEBP")
LARGEST_FILE_BYTES = 200_000_000  # nearly two bytes a pixel of the largest photo (own choice)
LARGEST_PHOTO_PX = 110_000_000
"""Telephones take up to 108 million."""


def read_photo(path: Path) -> np.ndarray | None:
    """The picture, (h, w, 3) uint8 bgr, upright; None when the file is none of KINDS or cannot be decoded.

    Raises Trouble for one that is missing or too large."""
    where = str(path)
    if not path.is_file():
        raise Trouble("no such file", where=where, remedy="check the spelling and the folder")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of large pictures; the limit here is the one that counts
            with Image.open(path, formats=KINDS) as seen:
                width_px, height_px = seen.size
    except Image.DecompressionBombError:
        width_px = height_px = LARGEST_PHOTO_PX
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, OverflowError, MemoryError):
        return None
    if width_px * height_px > LARGEST_PHOTO_PX or path.stat().st_size > LARGEST_FILE_BYTES:
        raise Trouble(f"the picture has more than {LARGEST_PHOTO_PX / 1e6:.0f} million pixels", where=where,
                      remedy="save it smaller")
    if min(width_px, height_px) < SMALLEST_SIDE_PX:
        return None
    try:
        return cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
    except (cv2.error, OSError, MemoryError):
        return None
