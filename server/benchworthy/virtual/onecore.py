"""Keeps numpy's linear algebra to one core in this process.

A circuit of a hundred nets is too small to share: where other programs run, two threads take ten times as long as one,
because each waits for the other to get a core. An environment variable would do only where numpy is not yet loaded.
"""

import ctypes
import re
from pathlib import Path

_LIBRARY = re.compile(r"\S*openblas\S*\.so\S*")
_NAMES = ("scipy_openblas_set_num_threads64_", "openblas_set_num_threads64_", "openblas_set_num_threads")


def keep_to_one_core() -> bool:
    """Whether a library was found and told; another one than OpenBLAS is left as it is."""
    try:
        maps = Path("/proc/self/maps").read_text()
    except OSError:  # no Linux
        return False
    told = False
    for path in sorted(set(_LIBRARY.findall(maps))):
        try:
            library = ctypes.CDLL(path)
        except OSError:
            continue
        for name in _NAMES:
            if hasattr(library, name):
                getattr(library, name)(ctypes.c_int(1))
                told = True
                break
    return told
