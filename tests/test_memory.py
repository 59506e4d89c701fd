"""How many pools of memory the threads of a process use, counted by the C library itself."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

COUNT = """
import ctypes, sys, threading
from vision.memory import few_pools
if sys.argv[2] == "few":
    few_pools()
THREADS = 6
begun, counted = threading.Barrier(THREADS + 1), threading.Event()

def hold():
    kept = [bytearray(50_000) for _ in range(20)]
    begun.wait()
    counted.wait()

for _ in range(THREADS):
    threading.Thread(target=hold).start()
begun.wait()
c = ctypes.CDLL(None)
c.fopen.restype, c.fclose.argtypes = ctypes.c_void_p, [ctypes.c_void_p]
c.malloc_info.argtypes = [ctypes.c_int, ctypes.c_void_p]
out = c.fopen(sys.argv[1].encode(), b"w")
c.malloc_info(0, out)
c.fclose(out)
counted.set()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="of GNU's C library only")
def test_threads_share_a_few_pools(tmp_path: Path) -> None:
    def pools(how: str) -> int:
        out = tmp_path / how
        subprocess.run([sys.executable, "-c", COUNT, str(out), how], check=True, cwd=Path(__file__).parents[1])
        return out.read_text().count("<heap nr=")
    assert pools("few") <= 2 < pools("as it is")
