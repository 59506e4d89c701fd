"""`python -m bench.decode CLIP`: the seconds that bare decoding of a clip takes, on as many threads as it likes."""

from __future__ import annotations

import sys
import time

import av


def seconds(clip: str) -> float:
    began = time.monotonic()
    with av.open(clip) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        for _ in container.decode(stream):
            pass
    return time.monotonic() - began


if __name__ == "__main__":
    print(seconds(sys.argv[1]))
