"""What a day's columns take goes back to the system, though small things that are kept lie between them."""

from __future__ import annotations

import platform
import subprocess
import sys
from pathlib import Path

import pytest

_CODE = """
import sys
import numpy as np
from ampwitness.pieces import keep_large_apart

def resident_mb():
    words = open("/proc/self/status").read().split()
    return int(words[words.index("VmRSS:") + 1]) / 1024

np.ones(4_000_000)  # once a large array was let go of, the library keeps the room of the next ones
if sys.argv[1] == "apart":
    keep_large_apart()
before, kept = resident_mb(), []
for _ in range(30):  # columns of 3 MB, with something small kept beside each
    columns = [np.ones(400_000) for _ in range(4)]
    kept.append(np.ones(12_000))
    del columns
small = sum(array.nbytes for array in kept) / 2**20
print(resident_mb() - before - small)
"""


def _left_mb(how: str) -> float:
    done = subprocess.run([sys.executable, "-c", _CODE, how], stdout=subprocess.PIPE, text=True, check=True)
    return float(done.stdout)


@pytest.mark.skipif(
    not Path("/proc/self/status").exists() or platform.libc_ver()[0] != "glibc",
    reason="the resident size is read from Linux, and another C library has no such setting",
)
def test_large_columns_leave_no_room_behind_once_they_are_let_go_of() -> None:
    assert _left_mb("apart") < 2.0
    assert _left_mb("as usual") > 5.0  # else this shows nothing
