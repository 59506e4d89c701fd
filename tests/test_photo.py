"""Photos: read upright by their content, and refused by the size they claim."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from analysis.trouble import Trouble
from vision.photo import read_photo


def test_a_photo_is_known_by_its_content(tmp_path: Path) -> None:
    picture = np.zeros((40, 60, 3), np.uint8)
    picture[:, :30] = (0, 0, 255)
    for ending in (".png", ".jpg", ".bmp", ".tif", ".webp"):
        cv2.imwrite(str(tmp_path / f"a{ending}"), picture)
        (tmp_path / f"a{ending}").rename(tmp_path / "photo")
        got = read_photo(tmp_path / "photo")
        assert got is not None and got.shape == (40, 60, 3)
        assert got[20, 10].tolist() == pytest.approx([0, 0, 255], abs=8)


def png(width: int, height: int) -> bytes:
    """A PNG that claims this size and holds next to nothing."""
    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(99))) + chunk(b"IEND", b"")


@pytest.mark.parametrize("size", [(20_000, 20_000), (60_000, 60_000), (11_000, 10_001)])
def test_a_vast_photo_is_refused_by_what_it_claims(size: tuple[int, int], tmp_path: Path) -> None:
    (tmp_path / "vast.png").write_bytes(png(*size))
    with pytest.raises(Trouble, match=r"vast\.png: the picture has more than 110 million pixels"):
        read_photo(tmp_path / "vast.png")


@pytest.mark.parametrize("raw", [b"", b"text", png(0, 10), png(5, 5), png(100, 100)[:60],
                                 b"\xff\xd8\xff\xe0" + bytes(50)])
def test_what_is_no_photo(raw: bytes, tmp_path: Path) -> None:
    (tmp_path / "x.jpg").write_bytes(raw)
    assert read_photo(tmp_path / "x.jpg") is None


def test_a_missing_photo(tmp_path: Path) -> None:
    with pytest.raises(Trouble, match="no such file"):
        read_photo(tmp_path / "x.jpg")
