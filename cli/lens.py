"""A lens file from pictures or a clip of a chessboard."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from cli import words
from cli.files import refuse_existing, write_new
from cli.progress import on_terminal
from vision.footage import open_footage, spread_frames
from vision.lens import calibrate, lens_table
from vision.photo import read_photo

LOOKED_AT = 40  # pictures of a clip: enough for a slow turn of the board, few enough for a minute's wait


def write_lens(sources: Sequence[Path], out: Path, corners: tuple[int, int]) -> None:
    """Calibrate from pictures, or from one clip, of a board with `corners` inner corners. Raises Trouble."""
    refuse_existing(out)
    with on_terminal() as report:
        report("looking for the chessboard", 0.0)
        found = calibrate(_pictures(sources), corners)
    table = lens_table(found.lens, out.name.removesuffix(".toml").removesuffix(".lens"))
    text = "".join(f"{k} = {v!r}\n".replace("'", '"') for k, v in table.items())
    write_new(out, f"# Calibrated from {len(found.used)} pictures of a chessboard; {found.rms_px:.2f} px left over.\n"
                   "# Good for this camera at this picture size, zoom and stabilisation only.\n" + text)
    print(f"focal length {found.lens.fx:.1f} ± {words.Z95 * found.sd_px[0]:.1f} px, {found.rms_px:.2f} px left over, "
          f"from {len(found.used)} pictures")
    for name, error_px in found.rejected:
        print(f"left out: {name} ({error_px:.1f} px): bent, moved or blurred board")
    if found.boardless:
        print(f"no whole board in {len(found.boardless)} pictures")


def _pictures(sources: Sequence[Path]) -> Iterator[tuple[str, np.ndarray]]:
    for source in sources:
        picture = read_photo(source)
        if picture is not None:
            yield source.name, picture
        else:
            yield from ((f"{source.name} at {f.t_s:.1f} s", f.bgr)
                        for f in spread_frames(open_footage([source]), LOOKED_AT))
